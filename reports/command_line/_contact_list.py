"""The command that a site runs to find the chart numbers of the visits that are due."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import Fault, GraftledgerError

from ._app import command, note, say

if TYPE_CHECKING:
    import polars as pl

    from pipelines.sources import SourceSheet


@command("contact-list")
def contact_list(
    charts: Annotated[Path, typer.Argument(metavar="FILE", help="The site's own charts: CSV, XLSX or Parquet.")],
    due: Annotated[Path, typer.Option(metavar="FILE", help="Written by graftledger visits-due --csv.")],
    key_file: Annotated[Path, typer.Option(metavar="FILE", help="The practice's secret key.")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="CSV to write; never overwritten.")],
    patient_column: Annotated[
        str, typer.Option(metavar="COLUMN", help="Column of the site's list with the chart number.")
    ] = "chart_number",
    encoding: Annotated[
        str | None, typer.Option(metavar="NAME", help="Encoding of a text file, such as cp1252.")
    ] = None,
) -> None:
    """Put chart numbers beside the visits that are due, at the site, from the site's own list.

    The chart numbers are hashed with the practice's key, as they were for the records, and joined to the list here:
    nothing goes into the registry, and no registry is needed. The file names patients: delete it after use.
    """
    from pipelines.follow_up import contact_list as join
    from pipelines.pseudonyms import check_new, read_key_file, write_private
    from pipelines.sources import known_encoding, read_source
    from pipelines.spreadsheet_cells import guarded, unguarded

    from ..wording import counted

    check_new(out)
    secret = read_key_file(key_file)
    listed = _only_sheet(read_source(charts, encoding=known_encoding(encoding) if encoding else None), charts.name)
    visits = unguarded(_only_sheet(read_source(due), due.name))
    joined, others = join(
        visits, listed, secret, patient_column=patient_column, due_label=due.name, charts_label=charts.name
    )
    write_private(out, guarded(joined).write_csv)
    say(f"{counted(joined.height, 'visit')} with chart numbers in {out}.")
    note(f"{counted(others, 'visit')} of patients who are not on the list of charts left out.")
    note("The file names patients, and only you may read it. Keep it at the site, and delete it after use.")


def _only_sheet(sheets: list[SourceSheet], label: str) -> pl.DataFrame:
    if len(sheets) != 1:
        raise GraftledgerError(
            Fault(f"the workbook has {len(sheets)} sheets.", label, mend="Keep the list alone in a file.")
        )
    return sheets[0].frame
