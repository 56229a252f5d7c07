"""The command that takes records in, and the words for what became of them."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import Fault, GraftledgerError
from registry.settings import MAPPINGS

from ._app import RegistryOption, command, note, say
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.intake import IntakeReport, RuleCount
    from pipelines.mapping import Mapping
    from registry import Registry

REASONS_SHOWN = 10

ReceivedByOption = Annotated[
    str | None, typer.Option("--received-by", metavar="NAME", help="Who does this; your login if left out.")
]
TodayOption = Annotated[
    datetime | None,
    typer.Option(
        "--today", formats=["%Y-%m-%d"], metavar="DATE", help="Rows dated later are held back; today if left out."
    ),
]


@command("intake")
def intake(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="CSV, TSV, XLSX, Parquet or NDJSON files, or folders of them."),
    ],
    registry: RegistryOption = Path("."),
    site: Annotated[
        str | None,
        typer.Option(metavar="CODE", help=f"The site that sends them, by its mapping {MAPPINGS}/CODE.toml."),
    ] = None,
    mapping: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A mapping that stands elsewhere, in place of --site.")
    ] = None,
    as_type: Annotated[
        str | None, typer.Option("--as", metavar="RECORD", help="Record type of the files, such as patient.")
    ] = None,
    refile: Annotated[
        bool, typer.Option("--refile", help="Let corrections move records to another patient or session.")
    ] = False,
    received_by: ReceivedByOption = None,
    today: TodayOption = None,
) -> None:
    """Check records and load the sound ones; rows that fail a check are held back with the reason."""
    from pipelines.intake import run_intake
    from registry import open_registry

    with open_registry(registry, read_only=False) as opened, progress_line() as progress:
        report = run_intake(
            opened,
            files,
            as_type=as_type,
            mapping=_mapping(opened, site, mapping, as_type),
            refile=refile,
            today=today.date() if today else date.today(),
            received_by=received_by or login(),
            progress=progress,
        )
    for line in report_lines(report):
        say(line)
    for line in next_steps(report, registry):
        note(line)


def _mapping(registry: Registry, site: str | None, mapping: Path | None, as_type: str | None) -> Mapping | None:
    """The mapping that was asked for."""
    from pipelines.mapping import load_mapping

    if site is None and mapping is None:
        return None
    if as_type is not None or (site is not None and mapping is not None):
        raise GraftledgerError("Give one of --site, --mapping and --as: each tells how the columns are read.")
    if mapping is not None:
        return load_mapping(mapping, registry.settings)
    if site not in registry.settings.sites:
        known = ", ".join(registry.settings.sites)
        raise GraftledgerError(Fault(f"'{site}' is no site of this registry.", mend=f"Sites: {known}."))
    path = registry.folder / MAPPINGS / f"{site}.toml"
    if not path.exists():
        raise GraftledgerError(
            Fault(
                f"site {site} has no mapping.",
                f"{MAPPINGS}/{path.name}",
                mend="Propose one with: graftledger mapping start FILE; files in the registry's own columns need none.",
            )
        )
    return load_mapping(path, registry.settings)


def next_steps(report: IntakeReport, registry: Path) -> list[str]:
    """What to do about what did not come in, and where to read on."""
    total, number = report.total(), report.intake_id
    lines = [
        f"Patient {key} has withdrawn consent: nothing more is taken in. To erase what is there:\n"
        f"  graftledger erase-patient {key} --registry {registry}"
        for key in report.withdrawn
    ]
    if total.held_back > total.waiting:
        lines.append(
            f"To see every row held back: graftledger held-back list --intake {number} --registry {registry}\n"
            f"To send them to their sites: graftledger held-back export --out DIR --registry {registry}"
        )
    lines.append(f"All of this on a page: graftledger intake-report --intake {number} --registry {registry}")
    return lines


def report_lines(report: IntakeReport) -> list[str]:
    """The report in words and one table."""
    from registry import RECORD_TYPES

    present = [record for record in RECORD_TYPES if any(file.record == record.name for file in report.files)]
    count = len({file.file for file in report.files})
    lines = [f"Intake {report.intake_id}: {count} {'file' if count == 1 else 'files'} read."] if count else []
    if present:
        heads = ("read", "loaded", "corrected", "unchanged", "held back", "warnings")
        lines.append(" " * 18 + "".join(f"{head:>10}" for head in heads))
    for words, counts in [
        *((record.plural, report.total(record.name)) for record in present),
        *([("all", report.total())] if len(present) > 1 else []),
    ]:
        numbers = (
            counts.read,
            counts.loaded,
            counts.corrected,
            counts.unchanged,
            counts.held_back,
            counts.warnings,
        )
        lines.append(f"{words:18}" + "".join(f"{number:10,}" for number in numbers))
    lines += _beside_the_table(report)
    held = [rule for rule in report.rules if rule.severity == "held back"]
    warned = [rule for rule in report.rules if rule.severity == "warning"]
    lines += _reason_lines("Held back or refused (a row may have several reasons):", held)
    lines += _reason_lines("Taken in with a warning:", warned)
    if report.snapshot_before == report.snapshot_after:
        lines.append("The records are as they were.")
    lines.append(f"Snapshot {report.snapshot_before} before, {report.snapshot_after} after.")
    return lines


def _beside_the_table(report: IntakeReport) -> list[str]:
    """What the table of files does not show."""
    lines = []
    total = report.total()
    if total.waiting:
        lines.append(
            f"Of those held back, {total.waiting:,} wait for a record that has not come, and follow by themselves."
        )
    if total.refused:
        lines.append(f"{total.refused:,} rows were refused and not kept: their patients were erased or have withdrawn.")
    for count in report.returned:
        taken = count.loaded + count.corrected + count.unchanged
        lines.append(f"Held back before and judged again: {count.judged:,} of {count.record}; {taken:,} came in.")
    if report.entries_closed:
        closed = ", ".join(f"{count:,} {status}" for status, count in sorted(report.entries_closed.items()))
        lines.append(f"Entries of rows held back that this settles: {closed}.")
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


def login() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no login name, as in some containers
        return "not given"
