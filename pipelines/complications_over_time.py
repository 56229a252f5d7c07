"""Complications by quarter of surgery, and sessions between rare ones, on control charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Any

from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from .complication_columns import told
from .complication_counts import ClassCounts, class_counts, window_counts
from .complication_incidence import share_figure
from .complication_kinds import ANY, RECORDS, SEVERITIES, ComplicationMeasure, Window, class_of
from .complication_request import ComplicationRequest
from .complication_steps import judged_sessions
from .estimators.control_charts import ControlChart, g_chart, p_chart, run_chart, u_chart
from .figure import Figure
from .groups import EVERYBODY, Chosen, GroupField, all_groups
from .measures import COMPLICATIONS_PER_SESSION, SESSIONS_BETWEEN

CHARTS = ("p", "u", "g", "run")
CONTROL_LEVEL = 0.9973
"""Share of chance points within three standard deviations, were they normal."""
QUARTER = GroupField(
    "quarter",
    "Quarter of surgery",
    "year(s.performed_on) || '-Q' || quarter(s.performed_on)",
    None,
    of_session=True,
)
FEWEST_POINTS = 12
"""Below so many, limits move much with each new point. Common practice, no source."""


@dataclass(frozen=True)
class ChartSeries:
    """One chart. measure: what it follows. labels: of its points, quarters or days. chart: centre, limits, rules.

    sizes, events: behind each point; of a chart of gaps sizes are the gaps. since_last: sessions since the last event.
    """

    measure: str
    labels: tuple[str, ...]
    events: tuple[int, ...]
    sizes: tuple[int, ...]
    chart: ControlChart
    figures: tuple[Figure, ...]
    since_last: int | None = None

    @property
    def signals(self) -> list[dict[str, str]]:
        """Points that a rule marks, in plain data: measure, point, rule."""
        return [
            {"measure": self.measure, "point": label, "rule": rule}
            for label, point in zip(self.labels, self.chart.points, strict=True)
            for rule, marked in (("beyond", point.beyond), ("shift", point.shift))
            if marked
        ]


def complications_over_time(
    registry: Registry,
    *,
    kinds: Sequence[str],
    severity: str = ANY,
    window: Window,
    chart: str = "p",
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[ChartSeries, ...]:
    """Complications by quarter of surgery, or sessions between one and the next, with control limits.

    chart `p`: share of sessions assessed, a chart a kind (`p_chart`, with Laney's limits where overdispersed). `run`:
    the same points around their median, no limits. `u`: complication records of all the kinds together with an onset in
    the window, a session with a contact on or after its end (`u_chart`). `g`: sessions without it between one event and
    the next, in the order of surgery, a chart a kind (`g_chart`); the waits before the first and since the last are
    left out, the latter is told.
    Sessions whose dates were shifted by their site are barred, as they are from everything here: their quarter is not
    known. Quarters without a session assessed have no point. Counting rules: `complication_incidence`.
    Assumes and misleads: see the charts. A signal is a reason to look, first at who was assessed and how patients
    differ; no verdict on anybody.
    Returns a chart a kind, or one. figures: a point's value with its own limits, flag `alert` where a rule marks it;
    and `_centre`, the centre with control limits at the level of 3 standard deviations.
    Raises: GraftledgerError for an unknown chart, or where there is nothing to draw.
    """
    if chart not in CHARTS:
        raise GraftledgerError(f"There is no chart '{chart}'. {nearest(chart, list(CHARTS))}")
    request = ComplicationRequest(registry, (QUARTER,), chosen, tuple(kinds), (severity,), as_of)
    if chart == "g":
        return _gaps(replace(request, fields=()), window)
    if chart == "u":
        return (_records(request, window, severity),)
    return _shares(request, window, run_only=chart == "run", level=level)


def _shares(request: ComplicationRequest, window: Window, *, run_only: bool, level: float) -> tuple[ChartSeries, ...]:
    (counts,) = window_counts(request, [window])
    series = []
    for measure in request.measures:
        figures = [
            share_figure(request, window, counts, group, measure, level)
            for group in all_groups(request.fields, counts.classes, request.chosen)
        ]
        shown = [figure for figure in figures if figure.n]
        if not shown:
            raise GraftledgerError("No session is assessed, so there is no point to draw.")
        events, sizes = tuple(figure.events or 0 for figure in shown), tuple(figure.n for figure in shown)
        control = (
            run_chart([event / n for event, n in zip(events, sizes, strict=True)])
            if run_only
            else p_chart(events, sizes)
        )
        labels = tuple(figure.group["quarter"] for figure in shown)
        marked = _marked(shown, control)
        series.append(ChartSeries(measure.name, labels, events, sizes, control, (*marked, *_centres(shown, control))))
    return tuple(series)


def _records(request: ComplicationRequest, window: Window, severity: str) -> ChartSeries:
    records = replace(request, kinds=("other",))  # known from records alone, as all are read here
    with judged_sessions(records, [window]) as judged:
        counts = class_counts(judged)
        table = judged.rows(
            "complication_record_sum",
            {"reason": records.code.reason(RECORDS, told(0, "j"))},
            kinds=list(request.kinds),
            rank=SEVERITIES[severity],
            ever=window.days is None,
            last_day=window.last_day,
        )
    events_of = {row["group_1"]: row["records"] for row in table.iter_rows(named=True)}
    sessions = {group[0]: by_class.get(RECORDS, ClassCounts()).n for group, by_class in sorted(counts.items())}
    labels = tuple(quarter for quarter, n in sessions.items() if n)
    if not labels:
        raise GraftledgerError("No session is assessed, so there is no point to draw.")
    sizes = tuple(sessions[label] for label in labels)
    events = tuple(events_of.get(label, 0) for label in labels)
    control = u_chart(events, sizes)
    points = [
        Figure(
            COMPLICATIONS_PER_SESSION,
            n,
            "sessions",
            "rate",
            group={"quarter": label},
            window=window.name,
            estimate=event / n,
            events=event,
        )
        for label, n, event in zip(labels, sizes, events, strict=True)
    ]
    figures = (*_marked(points, control), *_centres(points, control))
    return ChartSeries(COMPLICATIONS_PER_SESSION, labels, events, sizes, control, figures)


def _gaps(request: ComplicationRequest, window: Window) -> tuple[ChartSeries, ...]:
    series, code = [], request.code
    with judged_sessions(request, [window]) as judged:
        for measure in request.measures:
            texts = {
                "told": told(0),
                "reason": code.reason(class_of(measure.kind), told(0)),
                "happened": code.happened(measure, "c.told") if measure in request.item_measures else "e.happened",
            }
            table = judged.rows("complication_gap", texts, kind=measure.kind, severity=measure.severity)
            series.append(_gap_series(measure, window, table.rows(named=True)))
    return tuple(series)


def _gap_series(measure: ComplicationMeasure, window: Window, events: Sequence[Mapping[str, Any]]) -> ChartSeries:
    if len(events) < 2:
        raise GraftledgerError(
            f"{measure.label}: {len(events)} event(s). A chart of sessions between events needs at least two."
        )
    places = [row["place"] for row in events]
    gaps = tuple(later - earlier - 1 for earlier, later in pairwise(places))
    control = g_chart(gaps)
    labels = tuple(row["start_on"].isoformat() for row in events[1:])
    points = [
        Figure(
            SESSIONS_BETWEEN,
            gap,
            "sessions",
            "gap",
            group={"complication": measure.name, "event": label},
            window=window.name,
            estimate=float(gap),
            events=1,
        )
        for label, gap in zip(labels, gaps, strict=True)
    ]
    since_last = events[-1]["sessions"] - places[-1]
    return ChartSeries(
        measure.name,
        labels,
        (1,) * len(gaps),
        gaps,
        control,
        (*_marked(points, control), *_centres(points, control)),
        since_last,
    )


def _marked(figures: Sequence[Figure], control: ControlChart) -> list[Figure]:
    return [
        figure.with_flag("alert") if point.beyond or point.shift else figure
        for figure, point in zip(figures, control.points, strict=True)
    ]


def _centres(figures: Sequence[Figure], control: ControlChart) -> list[Figure]:
    """The centre with its limits beside every point."""
    return [
        Figure(
            f"{figure.measure}_centre",
            figure.n,
            figure.n_unit,
            control.method,
            group=figure.group,
            window=figure.window,
            estimate=control.centre,
            lower=point.lower,
            upper=point.upper,
            level=CONTROL_LEVEL,
        )
        for figure, point in zip(figures, control.points, strict=True)
    ]
