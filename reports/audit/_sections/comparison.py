"""Surgeons beside what is expected of the same patients: funnels, and whose results ask for a review."""

from __future__ import annotations

from pipelines.comparison.funnel_lines import funnel_lines
from pipelines.comparison.graft_trend import GraftTrend
from pipelines.comparison.results import MeasureComparison, SurgeonResult
from pipelines.comparison.surveillance import ODDS_RATIO, RUN_LENGTH, Trend

from ... import wording
from ...charts.case_chart import year_ticks
from ...charts.cusum_chart import cusum_chart, cusum_words
from ...charts.funnel_plot import FLAGS, FunnelLimit, FunnelPoint, funnel_plot, funnel_words
from ...layout import Cell, Picture, Row, Section, Table
from .._comparison import ComparedSurgeons

_HIGHEST_LIMIT = 4.5
"""Where chance alone reaches such a ratio even at the most sessions, a funnel would show no limit, and is left out."""
_MOST_SUMS = 12
"""Running sums that are drawn; more would fill pages, and the table names them all."""


def comparison(compared: ComparedSurgeons, floor: int) -> Section:
    """One funnel an outcome, results beyond a limit, and running sums that reached theirs in the quarter."""
    return Section(
        "comparison",
        "Comparison of surgeons",
        "comparison.html",
        {
            "model": compared.model.model_id,
            "reference": " to ".join(
                wording.date_words(day) for day in (compared.model.reference_from, compared.model.reference_to)
            ),
            "period": " to ".join(wording.date_words(day) for day in (compared.first_on, compared.last_on)),
            "floor": floor,
            "pictures": [picture for one in compared.comparisons if (picture := _funnel(one, floor)) is not None],
            "flagged": Table(
                "Results beyond a limit on the unfavourable side, once all outcomes of a surgeon are allowed for",
                ("Surgeon and outcome", "Seen", "Expected", "Seen over expected", "Prompt"),
                tuple(_flagged_row(one, result) for one, result in compared.flagged),
                words=(4,),
            ),
            "alarms": Table(
                "Running sums that reached their limit in the quarter",
                ("Surgeon and outcome", "On"),
                tuple(
                    Row(f"{alarm.surgeon}, {alarm.outcome}", (Cell(alarm.on.isoformat()),)) for alarm in compared.alarms
                ),
            ),
            "sums": [_sum(number, told) for number, told in enumerate(compared.reached[:_MOST_SUMS], start=1)],
            "sums_left_out": max(0, len(compared.reached) - _MOST_SUMS),
            "run_length": wording.whole(RUN_LENGTH),
            "odds_ratio": f"{ODDS_RATIO:g}",
            "grafts": Table(
                "Grafts that did not grow, over time",
                (
                    "Surgeon",
                    "Sessions counted",
                    "Observed less expected",
                    "Chance, 95%",
                    "Average of late",
                    "Expected of late",
                ),
                tuple(_graft_row(told) for told in compared.grafts),
            ),
            "counts": Table(
                "Who is compared",
                ("Outcome", "Surgeons compared", "Too few or none", "Sessions assessed", "Assessed of all"),
                tuple(_count_row(one, floor) for one in compared.comparisons),
            ),
        },
    )


def _sum(number: int, told: Trend) -> Picture:
    """The running sum of a surgeon and outcome; numbered, since a code may hold what no name may."""
    label = told.measure.label
    subject = f"{label[0].lower()}{label[1:]}, surgeon {told.surgeon}"
    return Picture(
        cusum_chart(told.path, f"running-sum-{number}", ticks=year_ticks(told.days), narrow=True),
        cusum_words(told.path, subject, run_length=told.limit.run_length),
        f"{told.surgeon}, {label}",
    )


def ratio_words(result: SurgeonResult) -> str:
    """Seen over expected with its interval."""
    assert result.ratio is not None
    told = result.ratio
    return f"{told.estimate:.1f} (95% interval {told.lower:.1f} to {told.upper:.1f})"


def _flagged_row(one: MeasureComparison, result: SurgeonResult) -> Row:
    assert result.ratio is not None
    assert result.expected is not None
    return Row(
        f"{result.surgeon}, {one.measure.label}",
        (
            Cell(f"{wording.whole(result.observed)} of {wording.whole(result.size)}"),
            Cell(f"{result.expected:,.1f}"),
            Cell(f"{result.ratio.estimate:.1f}", (f"{result.ratio.lower:.1f} to {result.ratio.upper:.1f}",)),
            Cell(FLAGS[result.flag]),
        ),
    )


def _graft_row(told: GraftTrend) -> Row:
    difference, average = told.difference, told.average
    reach = wording.whole(round(float(difference.upper[-1])))
    last = round(-float(difference.values[-1]))
    return Row(
        told.surgeon,
        (
            Cell(wording.whole(len(told.days))),
            Cell(f"{'+' if last > 0 else '−' if last < 0 else ''}{wording.whole(abs(last))}"),
            Cell(f"−{reach} to +{reach}"),
            Cell(wording.percent(float(average.observed[-1]))),
            Cell(
                wording.percent(float(average.expected[-1])),
                (wording.interval(float(average.lower[-1]), float(average.upper[-1])),),
            ),
        ),
    )


def _count_row(one: MeasureComparison, floor: int) -> Row:
    enough = len(one.enough(floor))
    return Row(
        one.measure.label,
        (
            Cell(wording.whole(enough)),
            Cell(wording.whole(len(one.results) - enough)),
            Cell(wording.whole(sum(result.n for result in one.results.values()))),
            Cell(wording.percent(one.assessed)),
        ),
    )


def _funnel(one: MeasureComparison, floor: int) -> Picture | None:
    points = [
        FunnelPoint(
            result.n, result.ratio.estimate, result.surgeon, result.ratio.lower, result.ratio.upper, result.flag
        )
        if result.flag
        else FunnelPoint(result.n, result.ratio.estimate)
        for result in one.results.values()
        if result.ratio is not None and result.n >= floor
    ]
    if not points:
        return None
    lines = funnel_lines(one, round(1.15 * max(point.volume for point in points)))
    if len(lines) < 2 or lines[-1].alert[1] > _HIGHEST_LIMIT:
        return None
    limits = [FunnelLimit(line.sessions, line.alert, line.priority) for line in lines]
    drawing = funnel_plot(
        points,
        limits,
        f"compared-{one.measure.name}",
        target=1.0,
        axis_title="Seen over expected",
        volume_title="Sessions assessed",
        percent=False,
        narrow=True,
    )
    subject = f"seen over expected, {one.measure.label[0].lower()}{one.measure.label[1:]}"
    return Picture(drawing, funnel_words(points, subject, target=1.0, percent=False), one.measure.label)
