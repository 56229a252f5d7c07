"""Commands for rows held back: list, export, retry, dismiss."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ._app import RegistryOption, app, command, note, say
from ._intake import ReceivedByOption, TodayOption, login, report_lines
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.held_back import Entry

group = typer.Typer(
    name="held-back",
    help="Rows that the intake held back: what is wrong, a workbook to mend them in, another try, setting aside.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

_WIDTH = 80
_SiteOption = Annotated[
    str | None, typer.Option(metavar="CODE", help="Only rows of one site; none for those of no known site.")
]


class ListFormat(StrEnum):
    """How entries are printed."""

    TABLE = "table"
    CSV = "csv"


@command("list", group)
def list_(
    registry: RegistryOption = Path("."),
    intake: Annotated[int | None, typer.Option(metavar="NUMBER", help="Only rows that one intake held back.")] = None,
    record: Annotated[str | None, typer.Option(metavar="RECORD", help="Only one record type, such as visit.")] = None,
    site: _SiteOption = None,
    unsettled: Annotated[bool, typer.Option("--open", help="Only rows that are still open or waiting.")] = False,
    format_: Annotated[ListFormat, typer.Option("--format", help="How to print.")] = ListFormat.TABLE,
) -> None:
    """Print where each row held back stands, why, how to mend it, and what became of it."""
    from pipelines.held_back import entries
    from registry import open_registry

    with open_registry(registry) as opened:
        found = entries(opened, intake_id=intake, record=record, site=site, unsettled=unsettled)
    if format_ is ListFormat.CSV:
        _print_csv(found)
        return
    for line in entry_lines(found):
        say(line)


@command("export", group)
def export(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to.")],
    registry: RegistryOption = Path("."),
    site: _SiteOption = None,
) -> None:
    """Write a workbook a site with its open and waiting rows, in its own columns, with reasons."""
    from pipelines.held_back import export_workbooks
    from registry import open_registry

    with open_registry(registry) as opened:
        written = export_workbooks(opened, out, site=site)
    for workbook in written:
        rows = "1 row" if workbook.rows == 1 else f"{workbook.rows:,} rows"
        say(f"{rows} of {_site_words(workbook.site)} in {workbook.path}")
    note(
        "The site mends the rows and leaves the columns held_back_entry, held_back_reason and held_back_mend as they\n"
        "are. Then take the workbook in: graftledger intake FILE (with --site CODE where the site has a mapping)."
    )


@command("retry", group)
def retry(
    registry: RegistryOption = Path("."), received_by: ReceivedByOption = None, today: TodayOption = None
) -> None:
    """Judge all open and waiting rows again, after the settings gained a site for example; sound ones are loaded."""
    from pipelines.intake import retry_held_back
    from registry import open_registry

    with open_registry(registry, read_only=False) as opened, progress_line() as progress:
        report = retry_held_back(
            opened,
            today=today.date() if today else date.today(),
            received_by=received_by or login(),
            progress=progress,
        )
    for line in report_lines(report):
        say(line)


@command("dismiss", group)
def dismiss(
    entry: Annotated[list[int], typer.Argument(metavar="ENTRY...", help="Numbers of entries, as the list shows them.")],
    reason: Annotated[
        str, typer.Option(metavar="REASON", help="duplicate, not_a_patient_record, cannot_be_mended or other.")
    ],
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
) -> None:
    """Set rows held back aside for good. Their content stays until the patient is erased."""
    from pipelines.held_back import DISMISSAL_REASONS
    from pipelines.held_back import dismiss as dismiss_entries
    from registry import open_registry

    with open_registry(registry, read_only=False) as opened:
        event = dismiss_entries(opened, entry, reason=reason, received_by=received_by or login())
    count = len(set(entry))
    say(f"{count:,} {'row was' if count == 1 else 'rows were'} set aside: {DISMISSAL_REASONS[reason]} (event {event}).")


def entry_lines(found: Sequence[Entry]) -> list[str]:
    """A table of 80 columns: one line an entry, its reasons and remedies below it."""
    from textwrap import wrap

    if not found:
        return ["No row is held back."]
    lines = [f"{'entry':>6}  {'status':<10}{'record':<13}{'site':<9}{'intake':>6}  file and row", "-" * _WIDTH]
    for entry in found:
        status = f"-> {entry.replaced_by}" if entry.replaced_by is not None else entry.status
        head = f"{entry.number:>6}  {status:<10}{entry.record:<13}{entry.site or '-':<9}{entry.intake_id:>6}  "
        place = wrap(entry.place, _WIDTH - len(head)) or [""]
        lines += [head + place[0], *(" " * len(head) + more for more in place[1:])]
        if entry.key:
            lines += wrap(f"key {entry.key}", _WIDTH, initial_indent=" " * 8, subsequent_indent=" " * 8)
        for reason in entry.reasons:
            text = f"{reason.field}: {reason.reason} ({reason.rule}). {reason.mend}"
            lines += wrap(text, _WIDTH, initial_indent=" " * 8, subsequent_indent=" " * 10)
    statuses = [entry.status for entry in found]
    counts = ", ".join(f"{statuses.count(status):,} {status}" for status in dict.fromkeys(sorted(statuses)))
    return [*lines, "-" * _WIDTH, f"{len(found):,} {'row' if len(found) == 1 else 'rows'}: {counts}."]


def _print_csv(found: Sequence[Entry]) -> None:
    import csv
    import sys

    writer = csv.writer(sys.stdout, lineterminator="\n")
    names = ("number", "status", "intake_id", "file", "sheet", "row", "record", "key", "site")
    writer.writerow(("entry", *names[1:], "rule", "field", "reason", "mend"))
    for entry in found:
        writer.writerows(
            [
                *(getattr(entry, name) for name in names),
                reason.rule,
                reason.field,
                reason.reason,
                reason.mend,
            ]
            for reason in entry.reasons
        )


def _site_words(code: str) -> str:
    return "no known site" if code == "none" else f"site {code}"
