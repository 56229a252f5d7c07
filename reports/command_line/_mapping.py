"""Commands for a site's mapping: propose one, and try one without loading anything."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import Fault, GraftledgerError

from ._app import RegistryOption, app, command, note, say

if TYPE_CHECKING:
    from registry import Settings

group = typer.Typer(
    name="mapping",
    help="A site's own columns, answers and units: propose a mapping to the registry's fields, and check it.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

_FilesArgument = Annotated[
    list[Path],
    typer.Argument(metavar="FILE...", help="CSV, TSV, XLSX, Parquet or NDJSON files, or folders of them."),
]


@command("start", group)
def start(
    files: _FilesArgument,
    site: Annotated[str, typer.Option(metavar="CODE", help="Code of the site that the files come from.")] = "",
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write to a file instead of the screen.")] = None,
    encoding: Annotated[
        str | None, typer.Option(metavar="NAME", help="Encoding of text files, where it cannot be told from them.")
    ] = None,
    registry: RegistryOption = Path("."),
) -> None:
    """Propose a mapping from the column names and values of files. What could not be placed stands at its top."""
    from pipelines.mapping import propose_mapping, read_sheets
    from pipelines.sources import known_encoding

    settings = _settings_of(registry)
    if settings is not None and site and site not in settings.sites:
        raise GraftledgerError(f"'{site}' is no site of this registry. Sites: {', '.join(settings.sites)}.")
    if out is not None and out.exists():
        raise GraftledgerError(
            Fault("the file exists already.", str(out), mend="Nothing is overwritten. Choose another name.")
        )
    sheets = read_sheets(files, encoding=known_encoding(encoding) if encoding else None)
    text = propose_mapping(sheets, settings, site)
    if out is None:
        say(text.rstrip())
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(Fault(f"the mapping could not be written ({why}).", str(out))) from None
    say(f"Proposed in {out}.")
    note(f"Next: read it, decide what is marked TODO, then: graftledger mapping check FILE... --mapping {out}")


@command("check", group)
def check(
    files: _FilesArgument,
    mapping: Annotated[Path, typer.Option(metavar="FILE", help="The mapping to try.")],
    registry: RegistryOption = Path("."),
) -> None:
    """Try a mapping on files without loading anything: how many records would come out, and what is in their way."""
    from pipelines.mapping import apply_mapping, check_lines, faulty_rows, load_mapping, read_sheets, refuse_identifying

    settings = _settings_of(registry)
    loaded = load_mapping(mapping, settings)
    sheets = read_sheets(files, loaded)
    tables = apply_mapping(sheets, loaded)
    for line in check_lines(tables):
        say(line)
    held = sum(faulty_rows(table) for table in tables)
    total = sum(table.frame.height for table in tables)
    say(f"In all {total:,} records, of which {held:,} have a value that cannot be mapped and would be held back.")
    say("Nothing was loaded.")
    refuse_identifying(sheets, settings)


@command("apply", group)
def apply(
    files: _FilesArgument,
    mapping: Annotated[Path, typer.Option(metavar="FILE", help="The site's mapping.")],
    out: Annotated[Path, typer.Option(metavar="DIR", help="New or empty folder to write the records to.")],
    registry: RegistryOption = Path("."),
) -> None:
    """Turn a site's files into records of the registry's own layout, ready for the intake."""
    from pipelines.mapping import (
        apply_mapping,
        faults_path,
        faulty_rows,
        load_mapping,
        read_sheets,
        refuse_identifying,
        write_records,
    )

    settings = _settings_of(registry)
    loaded = load_mapping(mapping, settings)
    sheets = read_sheets(files, loaded)
    refuse_identifying(sheets, settings)
    tables = apply_mapping(sheets, loaded)
    for path in write_records(tables, out):
        say(str(path))
    if held := sum(faulty_rows(table) for table in tables):
        note(
            f"{held:,} records have a value that could not be mapped, marked '?'; the intake holds them back. "
            f"Where and why: {faults_path(out)}"
        )
    note(f"Next: graftledger intake {out} --registry {registry}")


def _settings_of(registry: Path) -> Settings | None:
    """The settings of the registry in a folder; None where there is no registry."""
    from registry.settings import SETTINGS_FILE, load_settings

    path = registry / SETTINGS_FILE
    return load_settings(path) if path.exists() else None
