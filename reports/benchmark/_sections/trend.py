"""My results in the order of sessions."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pipelines.comparison.graft_trend import GraftTrend
from pipelines.comparison.measures import COMPARED, GRAFTS_NOT_GROWN
from pipelines.comparison.surveillance import ODDS_RATIO, RUN_LENGTH, Trend

from ... import wording
from ...charts.case_chart import year_ticks
from ...charts.cusum_chart import (
    cusum_chart,
    cusum_words,
    expected_minus_observed_chart,
    expected_minus_observed_words,
    moving_average_chart,
)
from ...charts.svg import Drawing
from ...layout import Picture, Section
from .._data import BenchmarkData
from .._words import lowered


def trend(data: BenchmarkData) -> Section:
    """Three charts a measure, and how often chance alone would raise an alarm."""
    budget = data.practice.budget
    return Section(
        "trend",
        "My trend",
        "trend.html",
        {
            "blocks": [_block(one) for one in data.trends],
            "grafts": _grafts(data.graft_trend, data.settings.mature_window) if data.graft_trend else None,
            "since": wording.date_words(data.practice.trend_from),
            "run_length": wording.whole(RUN_LENGTH),
            "odds_ratio": f"{ODDS_RATIO:g}",
            "budget": ""
            if budget is None
            else (
                f"Over all surgeons and measures there are {wording.whole(budget.charts)} charts with "
                f"{wording.counted(budget.cases, 'judged outcome')} in the last year. If all went as expected, about "
                f"{budget.expected:.1f} alarms a year would come by chance."
            ),
            "floor": data.floor,
        },
    )


def _block(told: Trend) -> dict[str, Any]:
    measure, subject = told.measure, lowered(told.measure.label)
    alarms = [wording.month_words(day) for day in told.alarms]
    last = -float(told.difference.values[-1])
    return {
        "name": measure.label,
        "sessions": wording.counted(len(told.days), "session"),
        "difference": f"{abs(last):.1f} {'more' if last > 0 else 'fewer'} than expected",
        "alarms": wording.listed(alarms),
        "delay": _roughly(told.delay),
        "restarts": wording.listed([wording.date_words(day) for day in told.restarts]),
        "panels": [
            _panel(cusum_chart, told.path, told, cusum_words(told.path, subject, run_length=told.limit.run_length)),
            _panel(
                expected_minus_observed_chart,
                told.difference,
                told,
                expected_minus_observed_words(told.difference, subject),
            ),
            _panel(
                moving_average_chart,
                told.average,
                told,
                f"Moving average of {subject}: at the end {wording.percent(float(told.average.observed[-1]))} "
                f"observed, {wording.percent(float(told.average.expected[-1]))} expected.",
            ),
        ],
    }


def _grafts(told: GraftTrend, window: tuple[int, int]) -> dict[str, Any]:
    """Two charts, without an alarm."""
    label = COMPARED[GRAFTS_NOT_GROWN].label
    last, reach = -float(told.difference.values[-1]), float(told.difference.upper[-1])
    return {
        "name": label,
        "sessions": wording.counted(len(told.days), "session"),
        "difference": f"{wording.counted(round(abs(last)), 'graft')} {'more' if last > 0 else 'fewer'} than expected "
        f"did not grow, where chance alone takes it up to {wording.whole(round(reach))} either way in 95 of 100",
        "counted": f"{window[0]} to {window[1]}",
        "spread": f"{told.spread:.1f}",
        "panels": [
            Picture(
                expected_minus_observed_chart(
                    told.difference,
                    f"expected-less-observed-{GRAFTS_NOT_GROWN}",
                    ticks=year_ticks(told.days),
                    narrow=True,
                    of="grafts",
                ),
                expected_minus_observed_words(told.difference, lowered(label), of="grafts"),
                _TITLES[expected_minus_observed_chart],
            ),
            Picture(
                moving_average_chart(
                    told.average, f"moving-average-{GRAFTS_NOT_GROWN}", ticks=year_ticks(told.days), narrow=True
                ),
                f"Moving average of {lowered(label)}: at the end {wording.percent(float(told.average.observed[-1]))} "
                f"observed, {wording.percent(float(told.average.expected[-1]))} expected.",
                _TITLES[moving_average_chart],
            ),
        ],
    }


def _roughly(sessions: float) -> str:
    """A number of sessions to two digits.

    >>> _roughly(87.3), _roughly(1234.0)
    ('87', '1,200')
    """
    digits = max(len(str(round(sessions))) - 2, 0)
    return wording.whole(round(sessions, -digits))


def _panel(chart: Callable[..., Drawing], path: object, told: Trend, words: str) -> Picture:
    """One small chart: three stand beside each other where there is room."""
    title = _TITLES[chart]
    name = f"{title.lower().replace(' ', '-')}-{told.measure.name}"
    return Picture(chart(path, name, ticks=year_ticks(told.days), narrow=True), words, title)


_TITLES: dict[Callable[..., Drawing], str] = {
    cusum_chart: "Cumulative sum",
    expected_minus_observed_chart: "Expected less observed",
    moving_average_chart: "Moving average",
}
