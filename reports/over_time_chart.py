"""The chart of a complication over time: one control chart with its title and what it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipelines.complication_kinds import COMPLICATION_LABELS
from pipelines.figure import Figure
from pipelines.measures import SESSIONS_BETWEEN
from registry.errors import GraftledgerError

from .charts.control_chart import ControlPoint, control_chart
from .charts.sheet import chart_sheet
from .control_words import chart_points, chart_remarks, chart_title
from .labels import chosen_words

_KEY = "Triangle: outside the limits. Open square: part of a shift. Thin line: limits. Dashed: {centre}."


def over_time_chart(figures: Sequence[Figure], meta: Mapping[str, Any]) -> str:
    """One control chart as SVG with a title and notes.

    Raises: GraftledgerError where more than one was asked for.
    """
    if len(meta["charts"]) > 1:
        raise GraftledgerError("A chart shows one kind of complication. Name one: --kind.")
    (chart,) = meta["charts"]
    points, centres = chart_points(figures, chart["measure"])
    gaps = points[0].measure == SESSIONS_BETWEEN
    rules = {
        signal["point"]: signal["rule"] for signal in sorted(chart["signals"], key=lambda s: s["rule"] == "beyond")
    }
    drawing = control_chart(
        [
            ControlPoint(
                label := point.group["event" if gaps else "quarter"],
                point.estimate or 0.0,
                centre.lower,
                centre.upper,
                rules.get(label, ""),
            )
            for point, centre in zip(points, centres, strict=True)
        ],
        "over-time",
        centre=centres[0].estimate or 0.0,
        axis_title="Sessions between events"
        if gaps
        else "Share of sessions assessed"
        if chart["measure"] in COMPLICATION_LABELS
        else "Records per session",
        percent=not gaps and chart["measure"] in COMPLICATION_LABELS,
        under_title="Day of the surgery with the event" if gaps else "Quarter of surgery",
    )
    notes = [
        _KEY.format(centre="median" if chart["method"] in ("g_chart", "run_chart") else "centre"),
        *chart_remarks(chart, centres[0]),
        *([chosen_words(meta["chosen"])] if meta.get("chosen") else []),
        f"Data complete to {meta['data_date'] or 'no declared day'}; snapshot {meta['snapshot']}. Past patients of one "
        "registry.",
    ]
    return chart_sheet(drawing, chart_title(chart, meta), notes)
