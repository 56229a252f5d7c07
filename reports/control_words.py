"""Control charts in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipelines.complication_kinds import COMPLICATION_LABELS, EVER, SEVERITY_LABELS
from pipelines.complications_over_time import FEWEST_POINTS
from pipelines.figure import Figure
from pipelines.measures import SESSIONS_BETWEEN
from registry.durations import time_label

from .labels import value_label
from .wording import listed, p_words, percent, whole

RULE_WORDS = {"beyond": "outside limits", "shift": "shift"}

_METHODS = {
    "p_chart": "Limits: 3 standard deviations of chance (p-chart).",
    "u_chart": "Limits: 3 standard deviations of chance (u-chart).",
    "laney_p": "Limits: 3 standard deviations, widened because quarters differ by more than chance (Laney 2002, p').",
    "laney_u": "Limits: 3 standard deviations, widened because quarters differ by more than chance (Laney 2002, u').",
    "exact_p": "Rare, on average below 5 events a quarter: limits of the binomial law itself, and no rule of runs. A "
    "chart of sessions between events (--control g) says more.",
    "exact_u": "Rare, on average below 5 events a quarter: limits of the Poisson law itself, and no rule of runs.",
    "g_chart": "Sessions without the event between one event and the next: a high point is good news. Limit: 0.135% of "
    "chance gaps are longer.",
    "run_chart": "Run chart: points around their median, without limits.",
}


def chart_points(figures: Sequence[Figure], measure: str) -> tuple[list[Figure], list[Figure]]:
    """The points of one chart and the centre with its limits beside each."""
    mine = [figure for figure in figures if figure.group.get("complication", measure) == measure]
    named = {measure, SESSIONS_BETWEEN} if measure in COMPLICATION_LABELS else {measure}
    points = [figure for figure in mine if figure.measure in named]
    centres = [figure for figure in mine if figure.measure.removesuffix("_centre") in named - {figure.measure}]
    return points, centres


def chart_title(chart: Mapping[str, Any], meta: Mapping[str, Any]) -> str:
    """What a chart shows."""
    window = meta["window"]
    when = EVER if window == EVER else f"within {time_label(int(window.removeprefix('0-')))}"
    if chart["measure"] in COMPLICATION_LABELS:
        label = COMPLICATION_LABELS[chart["measure"]]
        if chart["method"] == "g_chart":
            return f"{label}, {when}: sessions between events"
        return f"{label}, {when}, by quarter of surgery"
    kinds = [value_label("kind", kind).lower() for kind in meta["kinds"]]
    names = listed(kinds) if len(kinds) <= 3 else f"{len(kinds)} kinds"
    severity = "" if meta["severity"] == "any" else f" ({SEVERITY_LABELS[meta['severity']]})"
    return f"Complication records per session, {when}, by quarter: {names}{severity}"


def chart_remarks(chart: Mapping[str, Any], centre: Figure) -> Iterator[str]:
    """What the centre and limits are, which rule marks what, and what to beware of."""
    measure = centre.measure.removesuffix("_centre")
    number = centre.estimate or 0.0
    words = (
        f"{number:.0f} sessions"
        if measure == SESSIONS_BETWEEN
        else percent(number)
        if measure in COMPLICATION_LABELS
        else f"{number:.3f} a session"
    )
    middle = "Median" if chart["method"] in ("g_chart", "run_chart") else "Centre"
    yield f"{middle} {words}. {_METHODS[chart['method']]}"
    if chart["sigma_z"] is not None and chart["method"].startswith("laney"):
        yield (
            f"Widened by {chart['sigma_z']:.2f}; were it chance alone, quarters would differ as much with p "
            f"{p_words(chart['dispersion_p'])}."
        )
    if chart["run_needed"]:
        side = "the median" if chart["method"] in ("g_chart", "run_chart") else "the centre"
        yield f"Shift: {chart['run_needed']} points in a row on one side of {side}."
    if chart["since_last"] is not None:
        yield f"Since the last event: {whole(chart['since_last'])} sessions (not a point)."
    if chart["points"] < FEWEST_POINTS:
        yield f"Fewer than {FEWEST_POINTS} points: limits still move much with each new one."
    yield "A signal is a reason to look, first at who was assessed and how patients differ; it is no verdict."
