"""The chart of growth: the share of placed grafts growing month by month, over how many areas were counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipelines.figure import Figure
from pipelines.graft_measures import GRAFT_CAUTION, GROWTH, GROWTH_CRUDE
from pipelines.graft_yield.growth import FIRST_MONTH, LAST_MONTH
from registry.errors import GraftledgerError

from . import wording
from .charts import Drawing
from .charts.sheet import chart_sheet
from .charts.yield_curve import yield_curve
from .labels import chosen_words, group_label
from .layout import Picture


def growth_chart(figures: Sequence[Figure], meta: Mapping[str, Any]) -> str:
    """The curve of one group as SVG, with a title and notes.

    Raises: GraftledgerError where nobody was counted, or there is more than one group.
    """
    counted = [figure for figure in figures if figure.at is not None]
    groups = {tuple(figure.group.items()) for figure in counted}
    if not counted:
        raise GraftledgerError("No area was counted from month 2 to 18, so there is no curve to draw.")
    if len(groups) > 1:
        raise GraftledgerError("A chart of growth shows one group. Choose it with --where instead of --by.")
    drawing = _drawn(counted)
    notes = [
        "Dots: what was counted in each month; hollow where few patients stand behind it. Line: made to rise up to "
        "month 12, straight between months with counts. Shading: 95% interval, at each month by itself. Bars: areas "
        "counted. The axis need not start at 0.",
        *([chosen_words(meta["chosen"])] if meta.get("chosen") else []),
        "Month by month other areas were counted. The length of hair is not in the records. " + GRAFT_CAUTION,
        f"Data complete to {meta['data_date'] or 'no declared day'}; snapshot {meta['snapshot']}. Past patients of one "
        "registry; no forecast for one person.",
    ]
    group = group_label(counted[0], "")
    return chart_sheet(drawing, "Grafts growing by month" + (f": {group}" if group else ""), notes)


def growth_picture(figures: Sequence[Figure]) -> Picture | None:
    """The curve with its text alternative, for a page; None where nobody was counted."""
    counted = [figure for figure in figures if figure.at is not None]
    if not counted:
        return None
    told = "; ".join(
        f"month {_month(figure):.0f}: {wording.share_words(figure)}" for figure in counted if figure.measure == GROWTH
    )
    words = f"Curve of the share of placed grafts growing by month since the session. {told}."
    return Picture(_drawn(counted), words, narrow=_drawn(counted, narrow=True))


def _drawn(counted: Sequence[Figure], *, narrow: bool = False) -> Drawing:
    curve = [(_month(figure), figure) for figure in counted if figure.measure == GROWTH]
    dots = [(_month(figure), figure) for figure in counted if figure.measure == GROWTH_CRUDE]
    ends = [(float(month), 0) for month in (FIRST_MONTH, LAST_MONTH)]
    areas = [*ends, *((month, figure.n) for month, figure in dots)]
    name = "growth-narrow" if narrow else "growth"
    return yield_curve(curve, areas, name, "Months since the session", dots=dots, narrow=narrow)


def _month(figure: Figure) -> float:
    return round((figure.at or 0) * 12 / 365.25)
