"""Commands about a registry as a whole: what it holds, whether it is sound, and what a site declares."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ._app import RegistryOption, command, say
from ._intake import ReceivedByOption, TodayOption, login, report_lines
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.registry_status import RegistryStatus


class StatusFormat(StrEnum):
    """How the status is printed."""

    TABLE = "table"
    JSON = "json"


@command("status")
def status(
    registry: RegistryOption = Path("."),
    format_: Annotated[StatusFormat, typer.Option("--format", help="How to print.")] = StatusFormat.TABLE,
) -> None:
    """Print what the registry holds: sites, records, intakes, rows held back, snapshot."""
    import json

    from pipelines.registry_status import registry_status
    from registry import open_registry

    with open_registry(registry) as opened:
        found = registry_status(opened)
    if format_ is StatusFormat.JSON:
        say(json.dumps(found.as_dict(), indent=2, ensure_ascii=False))
        return
    for line in status_lines(found):
        say(line)


@command("verify")
def verify(registry: RegistryOption = Path(".")) -> None:
    """Check that the registry is sound; exit code 1 names the damage."""
    from registry import GraftledgerError, open_registry
    from registry.verification import CHECKS_MADE
    from registry.verification import verify as verify_registry

    with open_registry(registry) as opened, progress_line() as progress:
        faults = verify_registry(opened, progress)
        snapshot = opened.snapshot
    if faults:
        raise GraftledgerError(*faults)
    say(f"Sound: {', '.join(words[0].lower() + words[1:] for words in CHECKS_MADE)}.")
    say(f"Snapshot {snapshot}.")


@command("declare-activity")
def declare_activity(
    site: Annotated[str, typer.Argument(metavar="SITE", help="The site that declares.")],
    quarter: Annotated[str, typer.Argument(metavar="YYYY-Qn", help="The quarter, such as 2026-Q3.")],
    complete_to: Annotated[
        datetime,
        typer.Option(
            formats=["%Y-%m-%d"], metavar="DATE", help="Day up to which every session of the site is in the registry."
        ),
    ],
    sessions: Annotated[
        int | None, typer.Option(metavar="N", help="Sessions of the quarter by the theatre list.")
    ] = None,
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
    today: TodayOption = None,
) -> None:
    """Take in what a site declares for a quarter; a quarter declared before is corrected."""
    from pipelines.intake import declare_activity as declare
    from registry import open_registry

    with open_registry(registry, read_only=False) as opened, progress_line() as progress:
        report = declare(
            opened,
            site=site,
            quarter=quarter,
            complete_to=complete_to.date(),
            sessions=sessions,
            today=today.date() if today else date.today(),
            received_by=received_by or login(),
            progress=progress,
        )
    total = report.total()
    became = "There already" if total.unchanged else "Corrected" if total.corrected else "Taken in"
    say(f"{became}: site {site}, {quarter}, records complete to {complete_to.date()}.")
    for line in report_lines(report)[-1:]:
        say(line)


def status_lines(found: RegistryStatus) -> list[str]:
    """The status in at most 80 columns."""
    sites = [
        f"{'site':<10}{'patients':>9}{'sessions':>9}{'visits':>9}"
        f"{'complete to':>13}{'last intake':>13}{'held back':>11}"
    ]
    for site in found.sites:
        sites.append(
            f"{site.site:<10}{site.patients:>9,}{site.sessions:>9,}{site.visits:>9,}"
            f"{site.complete_to or 'not declared'!s:>13}{site.last_intake_on or '-'!s:>13}{site.held_back:>11,}"
        )
    records = ", ".join(f"{_plural(name)} {count:,}" for name, count in found.records.items())
    former = sum(found.former.values())
    events = [
        f"{event.intake_id:>6} {event.kind:<9}{event.received_at:%Y-%m-%d %H:%M} {event.received_by[:18]:<19}"
        f"{event.rows_read:>9,}{event.rows_taken_in:>10,}{event.rows_held_back:>9,}"
        for event in found.last_events
    ]
    lines = [
        *_wrapped(f"{found.practice}. Snapshot {found.snapshot}, settings {found.settings}."),
        *_wrapped(f"Records: {records}; former versions {former:,}."),
        *_wrapped(
            f"Records complete to {found.data_date or 'no declared day'}; last visit {found.last_contact_on or '-'}."
        ),
        "",
        *sites,
        "",
        f"Held back: {found.held_back:,} open, {found.waiting:,} waiting for a record that has not come.",
        f"Merged keys: {found.merged_keys:,}. Erased patients: {found.erased_patients:,}. "
        f"Reports written: {found.reports_written:,}.",
        *(line for key in found.erasures_asked_for for line in _wrapped(f"Asks to be erased: {key}")),
        "",
        f"Events: {found.events:,}." + (" The last:" if events else ""),
    ]
    if events:
        lines.append(f"{'no.':>6} {'kind':<9}{'when (UTC)':<17}{'by':<19}{'rows read':>9}{'taken in':>10}{'held':>9}")
        lines += events
    size = f"{found.file_bytes / 2**20:,.1f} MiB"
    return [*lines, "", f"Schema {found.schema_version}, database {size}, graftledger {found.program_version}."]


def _plural(record: str) -> str:
    from registry import record_type

    return record_type(record).plural


def _wrapped(text: str) -> list[str]:
    from textwrap import wrap

    return wrap(text, 80)
