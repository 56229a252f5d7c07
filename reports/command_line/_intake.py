"""Commands that take records in and show what was held back."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ._app import RegistryOption, command, note, say
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.intake import IntakeReport, RuleCount

REASONS_SHOWN = 10


@command("intake")
def intake(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="CSV or Parquet files, or folders of them.")],
    registry: RegistryOption = Path("."),
    as_type: Annotated[
        str | None, typer.Option("--as", metavar="RECORD", help="Record type of the files, such as patient.")
    ] = None,
    received_by: Annotated[
        str | None, typer.Option(metavar="NAME", help="Who takes the records in; your login if left out.")
    ] = None,
    today: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="Rows dated later are held back; today if left out."),
    ] = None,
) -> None:
    """Check records and load the sound ones; rows that fail a check are held back with the reason."""
    from pipelines.intake import run_intake
    from registry import open_registry

    with open_registry(registry, read_only=False) as opened, progress_line() as progress:
        report = run_intake(
            opened,
            files,
            as_type=as_type,
            today=today.date() if today else date.today(),
            received_by=received_by or _login(),
            progress=progress,
        )
    for line in report_lines(report):
        say(line)
    if report.total().held_back:
        note(
            f"To see every row held back: graftledger held-back --intake {report.intake_id} --registry {registry}\n"
            "Mend them at the source and send the file again; rows already taken in are not taken in twice."
        )


@command("held-back")
def held_back(
    registry: RegistryOption = Path("."),
    intake: Annotated[int | None, typer.Option(metavar="NUMBER", help="Which intake; the last if left out.")] = None,
) -> None:
    """Print as CSV where each row held back stands, why, and how to mend it."""
    import csv
    import sys

    from pipelines.intake_summary import HeldBackRow, held_back_rows
    from registry import open_registry

    with open_registry(registry) as opened:
        rows = held_back_rows(opened, intake)
    writer = csv.writer(sys.stdout, lineterminator="\n")
    names = list(HeldBackRow.__dataclass_fields__)
    writer.writerow(names)
    writer.writerows([getattr(row, name) for name in names] for row in rows)


def report_lines(report: IntakeReport) -> list[str]:
    """The report in words and one table."""
    from registry import RECORD_TYPES

    present = [record for record in RECORD_TYPES if any(file.record == record.name for file in report.files)]
    count = len(report.files)
    lines = [
        f"Intake {report.intake_id}: {count} {'file' if count == 1 else 'files'} read.",
        f"{'':20}{'read':>10}{'loaded':>10}{'unchanged':>11}{'held back':>11}{'warnings':>10}",
    ]
    for words, counts in [
        *((record.plural, report.total(record.name)) for record in present),
        *([("all", report.total())] if len(present) > 1 else []),
    ]:
        lines.append(
            f"{words:20}{counts.read:10,}{counts.loaded:10,}{counts.unchanged:11,}"
            f"{counts.held_back:11,}{counts.warnings:10,}"
        )
    held = [rule for rule in report.rules if rule.severity == "held back"]
    warned = [rule for rule in report.rules if rule.severity == "warning"]
    lines += _reason_lines("Held back (a row may have several reasons):", held)
    lines += _reason_lines("Loaded with a warning:", warned)
    if not report.total().loaded:
        lines.append("Nothing new was loaded.")
    lines.append(f"Snapshot {report.snapshot_before} before, {report.snapshot_after} after.")
    return lines


def _reason_lines(heading: str, rules: list[RuleCount]) -> list[str]:
    if not rules:
        return []
    lines = [heading]
    for rule in rules[:REASONS_SHOWN]:
        places = ", ".join(rule.places) + (" ..." if rule.rows > len(rule.places) else "")
        lines.append(f"  {rule.rows:,} x {rule.record}.{rule.field}, {rule.rule}: {rule.reason} ({places}).")
        lines.append(f"      {rule.mend}")
    if len(rules) > REASONS_SHOWN:
        further = rules[REASONS_SHOWN:]
        lines.append(f"  and {sum(rule.rows for rule in further):,} for {len(further)} further reasons.")
    return lines


def _login() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no login name, as in some containers
        return "not given"
