"""Control charts as a table for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipelines.figure import Figure
from pipelines.measures import COMPLICATIONS_PER_SESSION, SESSIONS_BETWEEN

from ..control_words import RULE_WORDS, chart_points, chart_remarks, chart_title
from ..wording import percent, whole
from ._figure_table import WIDTH, last_remarks

_PLACE = 12


def over_time_lines(figures: Sequence[Figure], meta: Mapping[str, Any]) -> Iterator[str]:
    """One table a chart: each point, the limits, and what a rule marks."""
    for chart in meta["charts"]:
        points, centres = chart_points(figures, chart["measure"])
        rules: dict[str, list[str]] = {}
        for signal in chart["signals"]:
            rules.setdefault(signal["point"], []).append(RULE_WORDS[signal["rule"]])
        gaps = points[0].measure == SESSIONS_BETWEEN
        yield from textwrap.wrap(chart_title(chart, meta), WIDTH)
        head = ("Event on", "Sessions between") if gaps else ("Quarter", "Events of sessions")
        yield f"  {head[0]:<{_PLACE}}{head[1]:>20}  {'' if gaps else 'Value':>8}  Limits"
        yield "-" * WIDTH
        for point, centre in zip(points, centres, strict=True):
            label = point.group["event" if gaps else "quarter"]
            count = whole(point.n) if gaps else f"{whole(point.events or 0)} of {whole(point.n)}"
            value = "" if gaps else _value_words(point)
            limits = _limit_words(centre)
            line = f"  {label:<{_PLACE}}{count:>20}  {value:>8}  {limits:<20} {', '.join(rules.get(label, []))}"
            yield line.rstrip()
        for remark in chart_remarks(chart, centres[0]):
            yield from textwrap.wrap(remark, WIDTH)
        if chart is not meta["charts"][-1]:
            yield ""
    yield from last_remarks(figures, meta, ())


def _value_words(figure: Figure) -> str:
    """A point or a centre in words: a share, a rate or a number of sessions."""
    if figure.estimate is None:
        return ""
    measure = figure.measure.removesuffix("_centre")
    if measure == SESSIONS_BETWEEN:
        return f"{figure.estimate:.0f}"
    return f"{figure.estimate:.3f}" if measure == COMPLICATIONS_PER_SESSION else percent(figure.estimate)


def _limit_words(centre: Figure) -> str:
    """The control limits; empty where the chart has none."""
    if centre.lower is None or centre.upper is None:
        return ""
    measure = centre.measure.removesuffix("_centre")
    if measure == SESSIONS_BETWEEN:
        return f"up to {centre.upper:.0f}"
    if measure == COMPLICATIONS_PER_SESSION:
        return f"{centre.lower:.3f} to {centre.upper:.3f}"
    return f"{centre.lower * 100:.1f} to {centre.upper * 100:.1f}"
