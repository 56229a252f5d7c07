"""Commands for cohorts: define one, list them, show one with who was left out at each step."""

from __future__ import annotations

import json
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import Annotated, Any

import typer

from registry.errors import GraftledgerError

from ._app import RegistryOption, app, command, note, say
from ._figure_requests import parse_where
from ._intake import ReceivedByOption, login

group = typer.Typer(
    name="cohort",
    help="Cohorts for research: define one under a name, list them, show who was left out at each step.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

_NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name of the cohort.")]
_VersionOption = Annotated[int | None, typer.Option(metavar="N", help="An earlier version; the last if left out.")]


def day_option(words: str) -> Any:
    """An option that takes a day."""
    return typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help=words)


_RoundOption = Annotated[
    int, typer.Option(metavar="N", help="Round counts to its multiples, for use outside; 0 leaves them as they are.")
]


class ShowFormat(StrEnum):
    """How a cohort is printed."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"


class TableFormat(StrEnum):
    """How the baseline table is printed."""

    CSV = "csv"
    HTML = "html"
    LATEX = "latex"


@command("define", group)
def define(
    name: _NameArgument,
    where: Annotated[
        list[str] | None, typer.Option(metavar="FIELD=VALUE[,VALUE]", help="Take only these; may stand repeatedly.")
    ] = None,
    exclude: Annotated[
        list[str] | None, typer.Option(metavar="FIELD=VALUE[,VALUE]", help="Leave these out; may stand repeatedly.")
    ] = None,
    since: Annotated[datetime | None, day_option("First session here on that day or later.")] = None,
    until: Annotated[datetime | None, day_option("First session here on that day or earlier.")] = None,
    first_here: Annotated[
        bool, typer.Option("--first-here", help="Only patients never operated on elsewhere before.")
    ] = False,
    followed_to: Annotated[datetime | None, day_option("Ignore what happened later.")] = None,
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
) -> None:
    """Keep a cohort under a name; defined again with other conditions, it gets a new version."""
    taken, left_out = parse_where(where or []), parse_where(exclude or [])
    first, last, end = (day and day.date() for day in (since, until, followed_to))

    from pipelines import cohorts
    from registry import open_registry

    from ..cohort import flow_lines

    with open_registry(registry, read_only=False) as opened:
        made = cohorts.define(
            opened.settings,
            where=taken,
            exclude=left_out,
            since=first,
            until=last,
            first_here=first_here,
            followed_to=end,
        )
        flow = cohorts.cohort_flow(opened, made)
        if not flow[-1].remaining:
            for line in flow_lines(flow):
                note(line)
            raise GraftledgerError("Nobody is in this cohort, so it was not kept. Widen its conditions.")
        stored = cohorts.store_cohort(opened, name, made, defined_by=received_by or login())
    say(f"Cohort {stored.name}, version {stored.version}.")
    for line in flow_lines(flow):
        say(line)
    note(f"Next: graftledger export {name} --level internal|limited|anonymous --out DIR")


@command("list", group)
def list_(registry: RegistryOption = Path(".")) -> None:
    """Print every cohort that is defined, by name and version."""
    from pipelines.cohorts import list_cohorts
    from registry import open_registry

    with open_registry(registry) as opened:
        found = list_cohorts(opened)
    if not found:
        say("No cohort is defined yet.")
        return
    say(f"{'cohort':<42}{'version':>7}  {'defined (UTC)':<17}{'by':<12}")
    for cohort in found:
        say(f"{cohort.name:<42}{cohort.version:>7}  {cohort.defined_at:%Y-%m-%d %H:%M} {cohort.defined_by[:12]:<12}")


@command("show", group)
def show(
    name: _NameArgument,
    version: _VersionOption = None,
    chart: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also write the flow as a diagram: .svg or .png.")
    ] = None,
    round_to: _RoundOption = 0,
    format_: Annotated[ShowFormat, typer.Option("--format", help="How to print.")] = ShowFormat.TABLE,
    registry: RegistryOption = Path("."),
) -> None:
    """Print a cohort's definition, and how many patients were left out at each step, as the records are now."""
    if chart:
        from ..charts.sheet import check_chart_path

        check_chart_path(chart)

    from pipelines.cohorts import cohort_flow, load_cohort, rounded_flow
    from pipelines.rounding import rounding_note
    from registry import open_registry

    from ..cohort import cohort_svg, flow_csv, flow_lines

    with open_registry(registry) as opened:
        cohort = load_cohort(opened, name, version)
        flow = rounded_flow(cohort_flow(opened, cohort.definition), round_to)
        snapshot = opened.snapshot
    if chart:
        from ..charts.sheet import write_chart

        notes = [rounding_note(round_to)] if round_to > 1 else []
        write_chart(chart, cohort_svg(cohort, flow, snapshot, notes))
        note(f"The diagram is in {chart}")
    match format_:
        case ShowFormat.JSON:
            steps = [{"step": s.name, "left_out": s.excluded, "remaining": s.remaining} for s in flow]
            shown = {"name": cohort.name, "version": cohort.version, "snapshot": snapshot}
            say(json.dumps(shown | {"definition": cohort.definition.as_dict(), "flow": steps}, indent=2))
        case ShowFormat.CSV:
            say(flow_csv(flow).rstrip("\n"))
        case ShowFormat.TABLE:
            say(f"Cohort {cohort.name}, version {cohort.version}. Snapshot {snapshot}.")
            for key, value in cohort.definition.as_dict().items():
                if value:
                    say(fill(f"{key.replace('_', ' ')}: {_words(value)}", 80, subsequent_indent="  "))
            say()
            for line in flow_lines(flow):
                say(line)
    if round_to > 1:
        note(fill(rounding_note(round_to), 80))


@command("table-1", group)
def table_1(
    name: _NameArgument,
    by: Annotated[str, typer.Option(metavar="FIELD", help="Field whose groups stand beside each other.")],
    version: _VersionOption = None,
    hide_below: Annotated[
        int, typer.Option(metavar="N", help="Hide counts below it, and what gives them away; 0 hides none.")
    ] = 11,
    round_to: _RoundOption = 0,
    format_: Annotated[TableFormat, typer.Option("--format", help="How to print.")] = TableFormat.CSV,
    registry: RegistryOption = Path("."),
) -> None:
    """Print the baseline table of a cohort: medians, counts, what is missing, and how far groups differ."""
    from pipelines.cohorts import load_cohort
    from pipelines.cohorts.table_one import table_one
    from registry import open_registry

    from ..cohort.table_one import notes_of, table_one_csv, table_one_html, table_one_latex

    with open_registry(registry) as opened:
        cohort = load_cohort(opened, name, version)
        table = table_one(opened, cohort.definition, by=by, floor=hide_below, round_to=round_to)
    title = f"Baseline of the cohort {cohort.name}, version {cohort.version}"
    match format_:
        case TableFormat.HTML:
            say(table_one_html(table, title).rstrip("\n"))
        case TableFormat.LATEX:
            say(table_one_latex(table, title).rstrip("\n"))
        case TableFormat.CSV:
            say(table_one_csv(table).rstrip("\n"))
            note(fill(notes_of(table), 80))


def _words(value: object) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{name} = {' or '.join(values)}" for name, values in value.items())
    if isinstance(value, list):
        return "; ".join(value)
    return "yes" if value is True else str(value)
