"""Commands that share counts in place of records, and make figures of those of several sites."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.durations import parse_time
from registry.errors import Fault, GraftledgerError
from registry.store import open_registry

from ._app import RegistryOption, app, command, note, say
from ._progress import progress_line
from ._setup import split_codes

if TYPE_CHECKING:
    from pipelines.site_counts import Pooled, SiteCounts

group = typer.Typer(
    name="counts",
    help="Figures of several sites from counts, where records may not leave.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)


class Days(StrEnum):
    """How finely times are told."""

    MONTHS = "months"
    EXACT = "exact"


@command("export", group)
def export(
    out: Annotated[Path, typer.Argument(metavar="OUT.json", help="The new file.")],
    by: Annotated[str, typer.Option(metavar="FIELD[,FIELD]", help="Split by one or two fields.")] = "",
    days: Annotated[Days, typer.Option(help="Times in whole months, or to the day.")] = Days.MONTHS,
    fewest: Annotated[
        int, typer.Option(metavar="N", help="Leave out what fewer patients stand behind; 1 leaves out nothing.")
    ] = 11,
    registry: RegistryOption = Path("."),
) -> None:
    """Write the counts that pooled figures need: no record, no key, no date of anybody."""
    from pipelines.site_counts import counts_text, gather_counts

    from ..writing import write_report

    _refuse_present(out)
    with open_registry(registry) as opened, progress_line() as progress:
        progress("Counting")
        counts = gather_counts(opened, by=split_codes(by), exact_days=days is Days.EXACT, fewest=fewest)
    write_report(out.parent, {out.name: counts_text(counts)}, "file of counts")
    say(f"{out}: counts of {_sites(counts.sites)}, snapshot {counts.snapshot}.")
    left_out = len(counts.protection.left_out)
    if left_out:
        say(fill(f"Left out, since fewer than {fewest} patients stand behind them: {left_out:,} counts.", 80))
    note(fill(_LEFT_TO_KNOW[days], 80))


@command("pool", group)
def pool(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Files of counts, one a registry.")],
    out: Annotated[Path, typer.Option(metavar="OUT", help="The new file of figures: .json or .csv.")],
    at: Annotated[str, typer.Option(metavar="1y,2y,5y", help="Times since the session, for its analysis.")] = "",
) -> None:
    """Make figures of the counts of several sites, as from their records in one registry."""
    if out.suffix not in (".json", ".csv"):
        raise GraftledgerError(Fault("the figures are written as .json or .csv.", str(out)))
    _refuse_present(out)
    asked = sorted({parse_time(text) for text in at.split(",") if text.strip()})

    from pipelines import FigureSet
    from pipelines.next_session import DEFAULT_AT_DAYS
    from pipelines.site_counts import pool as pool_counts
    from pipelines.site_counts import pooled_figures, read_counts, too_low_by

    from ..writing import write_report

    at_days = asked or DEFAULT_AT_DAYS
    read: list[tuple[str, SiteCounts]] = []
    faults: list[Fault] = []
    for path in files:
        try:
            read.append((str(path), read_counts(path)))
        except GraftledgerError as refusal:
            faults += refusal.faults
    if faults:
        raise GraftledgerError(*faults)
    pooled = pool_counts(read)
    found = FigureSet(_meta(pooled, at_days, too_low_by(pooled, at_days)), pooled_figures(pooled, at_days=at_days))
    text = found.to_json() if out.suffix == ".json" else found.to_csv()
    write_report(out.parent, {out.name: text}, "file of figures")
    say(f"{out}: {len(found.figures):,} figures of {_sites(pooled.settings.sites)}, from {len(read)} files.")
    for line in _what_is_lost(pooled, found.meta["may_be_too_low_by"]):
        note(fill(line, 80))
    note(fill(_CAUTION, 80))


def _refuse_present(out: Path) -> None:
    if out.exists():
        raise GraftledgerError(Fault("there is something of that name already.", str(out), mend="Choose another name."))


def _sites(sites: Sequence[str]) -> str:
    return f"site {sites[0]}" if len(sites) == 1 else f"{len(sites)} sites"


def _meta(pooled: Pooled, at_days: Sequence[int], too_low: float) -> dict[str, Any]:
    """What the figures rest on, as JSON holds it."""
    from pipelines.site_counts import VERSION

    settings, asked = pooled.settings, pooled.sources[0].asked
    return {
        "sources": [
            {
                "sites": list(source.sites),
                "snapshot": source.snapshot,
                "data_date": source.data_date.isoformat() if source.data_date else None,
                "protection": source.protection.model_dump(mode="json"),
            }
            for source in pooled.sources
        ],
        "format_version": VERSION,
        "version": pooled.sources[0].program,
        "by": list(asked.by),
        "at_days": list(at_days),
        "mature_window": list(asked.mature_window),
        "floors": {"at_risk": settings.floor_at_risk, "denominator": settings.floor_denominator},
        "days": "months" if pooled.in_months else "exact",
        "may_be_too_low_by": too_low,
    }


def _what_is_lost(pooled: Pooled, too_low: float) -> list[str]:
    """What small-cell protection cost, in words."""
    lines = []
    if pooled.in_months:
        lines.append(
            "Times are in months, so shares with a next session here may be too low, by at most "
            f"{100 * too_low:.2f} percentage points where they are not greyed out. Complications and graft survival "
            "lose nothing by it."
        )
    left_out = sum(len(source.protection.left_out) for source in pooled.sources)
    if left_out:
        lines.append(
            f"Sites left out {left_out:,} counts with too few patients behind them (listed under sources in the JSON): "
            "their patients are missing from those groups."
        )
    return lines


_LEFT_TO_KNOW = {
    Days.MONTHS: (
        "It holds no record, key or date of anybody. But small numerators stay, and so does how many of a group left "
        "in a month: who knows a patient may learn something. Do not pass on two files that differ by few patients. "
        "Read docs/many_sites.md. This is no legal advice."
    ),
    Days.EXACT: (
        "Days are exact: a line of the tables may be one patient's time to the next session. Only under an agreement, "
        "as for records. Read docs/many_sites.md. This is no legal advice."
    ),
}
_CAUTION = (
    "A pooled figure is a mixture of sites that differ in patients, follow-up and records. It describes past patients, "
    "is no verdict on a site, no forecast for one patient and no medical advice."
)
