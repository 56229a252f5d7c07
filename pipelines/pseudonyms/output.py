"""What a pseudonymised table is written to: a CSV file, and a link table where one is asked for; both or none."""

from __future__ import annotations

from pathlib import Path

from registry import GraftledgerError
from registry.private_files import check_new, write_private

from .link_table import write_link_table
from .table import Pseudonymised


def write_pseudonymised(
    done: Pseudonymised, out: Path, link_table: Path | None = None, passphrase: str | None = None
) -> None:
    """Write the table as CSV, and the links encrypted under the passphrase where a file for them is given.

    Both files are new and only their owner may read them.

    Raises: GraftledgerError where a file exists already or cannot be written; none is left behind then.
    """
    check_new(out)
    if link_table is not None:
        if passphrase is None:
            raise GraftledgerError("A link table is written encrypted, and needs a passphrase.")
        write_link_table(link_table, done.links, passphrase)
    try:
        write_private(out, done.frame.write_csv)
    except BaseException:
        if link_table is not None:
            link_table.unlink(missing_ok=True)
        raise
