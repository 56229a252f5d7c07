"""The command that prints figures: as a table for the screen, as JSON or as CSV."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import GraftledgerError
from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, erased_words, note, say
from ._figure_requests import ANALYSES, SENSITIVITY, Options, chart_of, check_analysis, figures_of, parse_where
from ._graft_requests import graft_cautions
from ._progress import progress_line
from ._setup import split_codes

if TYPE_CHECKING:
    from pipelines import Figure


class Format(StrEnum):
    """How figures are printed."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"


@command("figures")
def figures(
    analysis: Annotated[str, typer.Argument(metavar="ANALYSIS", help=f"One of: {', '.join(ANALYSES)}.")],
    by: Annotated[str, typer.Option(metavar="FIELD[,FIELD]", help="Split by one or two fields.")] = "",
    at: Annotated[str, typer.Option(metavar="1y,2y,5y", help="Times since the session, for its analysis.")] = "",
    where: Annotated[
        list[str] | None, typer.Option(metavar="FIELD=VALUE[,VALUE]", help="Only these sessions; may stand repeatedly.")
    ] = None,
    since: Annotated[str, typer.Option(metavar="DATE", help="Only sessions on that day or later.")] = "",
    until: Annotated[str, typer.Option(metavar="DATE", help="Only sessions on that day or earlier.")] = "",
    estimand: Annotated[
        str, typer.Option(metavar="here|anywhere|from-first", help="What counts as the next session, and from when.")
    ] = "",
    competing: Annotated[
        str, typer.Option(metavar="death|reason", help="Let death, or the reasons for a session, rule each other out.")
    ] = "",
    session_number: Annotated[
        str, typer.Option(metavar="1|2|3+", help="The session from which the time runs; the first here if left out.")
    ] = "",
    include_first_elsewhere: Annotated[
        str, typer.Option(metavar=SENSITIVITY, help="Show those first operated on elsewhere as their own groups.")
    ] = "",
    sensitivity: Annotated[
        bool, typer.Option("--sensitivity", help="How far those not seen could shift the share.")
    ] = False,
    summaries: Annotated[
        bool, typer.Option("--summaries", help="By when a share had a next session, and the mean time without one.")
    ] = False,
    chart: Annotated[Path | None, typer.Option(metavar="FILE", help="Also write a chart: .svg or .png.")] = None,
    kind: Annotated[str, typer.Option(metavar="KIND[,KIND]|all", help="Kinds of complication, by their codes.")] = "",
    window: Annotated[
        str, typer.Option(metavar="7d,30d,12m,ever", help="When a complication counts; a mature count: 10m-18m.")
    ] = "",
    severity: Annotated[str, typer.Option(metavar="any,moderate,severe", help="Of this severity or worse.")] = "",
    per: Annotated[str, typer.Option(metavar="session|patient", help="Share of sessions, or of patients.")] = "",
    limits: Annotated[str, typer.Option(metavar="wilson|clopper-pearson", help="Kind of interval of a share.")] = "",
    control: Annotated[
        str, typer.Option(metavar="p|u|g|run", help="Chart over time: share, records a session, sessions between, run.")
    ] = "",
    of: Annotated[str, typer.Option(metavar="NAME", help="What lasts, such as numbness-donor or swelling.")] = "",
    laws: Annotated[
        bool, typer.Option("--laws", help="duration: also log-normal, Weibull and log-logistic laws, by AIC.")
    ] = False,
    by_hairs: Annotated[
        bool, typer.Option("--by-hairs", help="Hairs instead of grafts, existing ones subtracted.")
    ] = False,
    as_of: Annotated[str, typer.Option(metavar="DATE", help="Ignore what happened later.")] = "",
    format_: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TABLE,
    as_of_intake: AsOfIntakeOption = None,
    registry: RegistryOption = Path(),
) -> None:
    """Print the figures of one analysis."""
    options = Options(
        at=at,
        estimand=estimand,
        competing=competing,
        session_number=session_number,
        include_first_elsewhere=include_first_elsewhere,
        sensitivity=sensitivity,
        summaries=summaries,
        chart=chart,
        kind=kind,
        window=window,
        severity=severity,
        per=per,
        limits=limits,
        control=control,
        of=of,
        laws=laws,
        by_hairs=by_hairs,
    )
    check_analysis(analysis, options)
    if chart:
        from ..charts.sheet import check_chart_path

        check_chart_path(chart)
    fields, conditions, days = (
        split_codes(by),
        parse_where(where or []),
        (_date(since), _date(until), _date(as_of)),
    )

    from pipelines import MEASURE_LABELS, FigureSet, figure_meta
    from pipelines.groups import choose
    from pipelines.intake_summary import intake_summary

    from ..held_back import held_back_words

    with (
        open_registry(registry, known_measures=tuple(MEASURE_LABELS), as_of_intake=as_of_intake) as opened,
        progress_line() as progress,
    ):
        progress(f"Computing {analysis.replace('-', ' ')}")
        chosen = choose(opened.settings, conditions, since=days[0], until=days[1])
        asked, computed = figures_of(opened, analysis, options, by=fields, chosen=chosen, as_of=days[2])
        meta = figure_meta(opened, analysis=analysis, **_plain(asked))
        if chart:
            from ..charts.sheet import write_chart

            write_chart(chart, chart_of(opened, analysis, options, asked, meta, computed))
        erased = opened.erased_since
        held = held_back_words(intake_summary(opened)) if analysis == "time-to-next-session" else None
    match format_:
        case Format.JSON:
            say(FigureSet(meta, computed).to_json().rstrip("\n"))
        case Format.CSV:
            say(FigureSet(meta, computed).to_csv().rstrip("\n"))
        case Format.TABLE:
            for line in _lines(computed, meta):
                say(line)
    if chart:
        note(f"The chart is in {chart}")
    if erased:
        note(fill(erased_words(erased), 80))
    for caution in [*([held] if held else []), *graft_cautions(analysis), *cautions([*fields, *conditions])]:
        note(fill(caution, 80))


def _lines(computed: Sequence[Figure], meta: dict[str, Any]) -> Iterator[str]:
    """The table of an analysis."""
    from ._figure_table import table_lines
    from ._graft_table import graft_lines, is_graft
    from ._healing_table import healing_lines, is_healing
    from ._over_time_table import over_time_lines

    if "charts" in meta:
        return over_time_lines(computed, meta)
    if is_graft(computed):
        return graft_lines(computed, meta)
    return healing_lines(computed, meta) if is_healing(computed) else table_lines(computed, meta)


def cautions(fields: Sequence[str]) -> list[str]:
    """What to bear in mind beside any figure, and more where people or places are compared."""
    lines = [
        "Caution: these figures describe past patients of this registry. They are no forecast for one patient and no "
        "medical advice: decisions rest with licensed clinicians, within local law.",
    ]
    if set(fields) & {"surgeon_code", "harvest_by", "placed_by", "site_code"}:
        lines.append(
            "By surgeon or site: not a verdict. Small numbers swing widely, and whoever takes the harder cases "
            "(case-mix) will look worse."
        )
    elif fields:
        lines.append("Groups differ in more than what they are split by, and small numbers swing widely.")
    return lines


def _date(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise GraftledgerError(f"'{text}' is not a date. Write it YYYY-MM-DD.") from None


def _plain(asked: dict[str, Any]) -> dict[str, Any]:
    """What was asked as JSON can hold it."""
    chosen = asked["chosen"].as_dict()
    others = {key: value for key, value in asked.items() if key != "chosen"}
    plain = {key: value.isoformat() if isinstance(value, date) else value for key, value in others.items()}
    return plain | ({"chosen": chosen} if chosen else {})
