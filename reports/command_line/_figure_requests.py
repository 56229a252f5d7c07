"""What may be asked of each analysis, and the figures that answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from registry.durations import parse_time
from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from ._graft_requests import GRAFT_ANALYSES, GROWTH, graft_figures
from ._healing_requests import ANSWERS, CLAVIEN_DINDO, COMPLICATIONS, DURATION, OVER_TIME, check_healing

if TYPE_CHECKING:
    from pipelines import Figure
    from pipelines.groups import Chosen

NEXT_SESSION = "time-to-next-session"
FURTHER_SESSIONS = "further-sessions"
ANALYSES: Mapping[str, frozenset[str]] = {
    NEXT_SESSION: frozenset(
        {
            "at",
            "estimand",
            "competing",
            "session_number",
            "include_first_elsewhere",
            "sensitivity",
            "summaries",
            "chart",
        }
    ),
    FURTHER_SESSIONS: frozenset({"at"}),
    COMPLICATIONS: frozenset({"kind", "window", "severity", "per", "limits", "sensitivity", "chart"}),
    OVER_TIME: frozenset({"kind", "window", "severity", "control", "chart"}),
    CLAVIEN_DINDO: frozenset(),
    DURATION: frozenset({"of", "at", "chart", "laws"}),
    **GRAFT_ANALYSES,
}
"""Every analysis, with the options that go with it beside those that go with all."""
SENSITIVITY = "sensitivity"


@dataclass(frozen=True)
class Options:
    """What was asked beside the analysis; empty where nothing was."""

    at: str = ""
    estimand: str = ""
    competing: str = ""
    session_number: str = ""
    include_first_elsewhere: str = ""
    sensitivity: bool = False
    summaries: bool = False
    chart: Path | None = None
    kind: str = ""
    window: str = ""
    severity: str = ""
    per: str = ""
    limits: str = ""
    control: str = ""
    of: str = ""
    laws: bool = False
    by_hairs: bool = False


def check_analysis(analysis: str, options: Options) -> None:
    """Refuse what does not go together.

    Raises: GraftledgerError naming the option and where it goes.
    """
    if analysis not in ANALYSES:
        raise GraftledgerError(f"There is no analysis '{analysis}'. {nearest(analysis, list(ANALYSES))}")
    for name in vars(options):
        if getattr(options, name) and name not in ANALYSES[analysis]:
            from ..wording import listed

            homes = [known for known, allowed in ANALYSES.items() if name in allowed]
            raise GraftledgerError(f"{_flag(name)} goes with {listed(homes)} only.")
    if options.include_first_elsewhere not in ("", SENSITIVITY):
        raise GraftledgerError(f"{_flag('include_first_elsewhere')} takes the word {SENSITIVITY}.")
    if options.competing and options.estimand not in ("", "here"):
        raise GraftledgerError("--competing goes with the estimand here.")
    if options.chart and (options.summaries or (options.sensitivity and analysis == NEXT_SESSION)):
        raise GraftledgerError("--chart draws curves: leave out --sensitivity and --summaries.")
    check_healing(analysis, options)
    together = [
        name for name in ("competing", "sensitivity", "summaries", "include_first_elsewhere") if getattr(options, name)
    ]
    if len(together) > 1:
        raise GraftledgerError(f"{' and '.join(_flag(name) for name in together)} do not go together. Ask one by one.")


def parse_where(conditions: Sequence[str]) -> dict[str, list[str]]:
    """Read conditions such as `technique=strip,combined`.

    Raises: GraftledgerError for one that is written otherwise, or a field that stands twice.

    >>> parse_where(["technique=strip, combined"])
    {'technique': ['strip', 'combined']}
    """
    where: dict[str, list[str]] = {}
    for condition in conditions:
        name, equals, values = condition.partition("=")
        if not equals or not name.strip():
            raise GraftledgerError("Write a condition as FIELD=VALUE, such as --where technique=strip.")
        if name.strip() in where:
            raise GraftledgerError(f"{name.strip()} stands twice. Write --where {name.strip()}=ONE,OTHER.")
        where[name.strip()] = [value.strip() for value in values.split(",") if value.strip()]
    return where


def figures_of(
    registry: Registry, analysis: str, options: Options, *, by: Sequence[str], chosen: Chosen, as_of: date | None
) -> tuple[dict[str, Any], tuple[Figure, ...]]:
    """The arguments that the analysis was given, in plain words, and its figures."""
    import pipelines

    shared: dict[str, Any] = {"by": list(by), "chosen": chosen, "as_of": as_of}
    if "at" in ANALYSES[analysis] and options.at:
        shared["at_days"] = sorted({parse_time(text) for text in options.at.split(",") if text.strip()})
    if analysis == NEXT_SESSION:
        return _next_session(registry, options, shared)
    if analysis in ANSWERS and (analysis != COMPLICATIONS or options.kind or options.window):
        return ANSWERS[analysis](registry, options, shared)
    if analysis in GRAFT_ANALYSES:
        return graft_figures(registry, analysis, options, shared)
    functions: Mapping[str, Callable[..., tuple[Figure, ...]]] = {
        FURTHER_SESSIONS: pipelines.further_sessions,
        "complications": pipelines.complications,
    }
    return shared, functions[analysis](registry, **shared)


def chart_of(
    registry: Registry,
    analysis: str,
    options: Options,
    asked: Mapping[str, Any],
    meta: Mapping[str, Any],
    figures: Sequence[Figure],
) -> str:
    """The chart of what was asked, as SVG."""
    if analysis == OVER_TIME:
        from ..over_time_chart import over_time_chart

        return over_time_chart(figures, meta)
    if analysis == GROWTH:
        from ..growth_chart import growth_chart

        return growth_chart(figures, meta)
    if analysis in (COMPLICATIONS, DURATION):
        from ..healing_chart import healing_chart

        return healing_chart(figures, meta)
    return _curves(registry, options, asked, meta)


def _curves(registry: Registry, options: Options, asked: Mapping[str, Any], meta: Mapping[str, Any]) -> str:
    """Curves of the time to the next session."""
    from pipelines import next_session

    from ..next_session_chart import AT_DAYS, next_session_chart

    arguments = {**asked, "at_days": AT_DAYS}
    competing = arguments.pop("competing", None)
    if competing:
        arguments = {name: value for name, value in arguments.items() if name != "estimand"}
        figures = next_session.next_session_causes(registry, competing=competing, **arguments)
    else:
        figures = next_session.time_to_next_session(registry, **arguments)
    return next_session_chart(figures, meta)


def _next_session(
    registry: Registry, options: Options, shared: dict[str, Any]
) -> tuple[dict[str, Any], tuple[Figure, ...]]:
    """The curve or what was asked in its place, how long patients were followed, and whether groups differ."""
    from pipelines import next_session

    shared = shared | {"number": options.session_number or None}
    told = {**shared, "estimand": options.estimand or ("anywhere" if options.sensitivity else "here")}
    if options.sensitivity:
        if options.estimand not in ("", "anywhere"):
            raise GraftledgerError("--sensitivity goes with the estimand anywhere, of which it tells.")
        figures = next_session.time_to_next_session(registry, **told)
        figures += next_session.next_session_sensitivity(registry, **shared)
        return told | {"sensitivity": True}, figures + next_session.next_session_follow_up(registry, **told)
    if options.summaries:
        if options.estimand not in ("", "here"):
            raise GraftledgerError("--summaries goes with the estimand here.")
        return told | {"summaries": True}, next_session.next_session_summaries(registry, **shared)
    if options.competing:
        figures = next_session.next_session_causes(registry, competing=options.competing, **shared)
        told = told | {"competing": options.competing}
    else:
        told = told | {"first_here_only": not options.include_first_elsewhere}
        figures = next_session.time_to_next_session(registry, **told)
    followed = {name: value for name, value in told.items() if name not in ("competing", "first_here_only")}
    figures += next_session.next_session_follow_up(registry, **followed)
    if shared["by"] and told["estimand"] == "here":
        asked = {name: value for name, value in shared.items() if name != "at_days"}
        figures += next_session.next_session_differences(registry, competing=options.competing or None, **asked)
    return told, figures


def _flag(name: str) -> str:
    return f"--{name.replace('_', '-')}"
