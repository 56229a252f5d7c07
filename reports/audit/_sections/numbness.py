"""Numbness that is still present months after the session."""

from __future__ import annotations

from pipelines import MEASURE_LABELS, Figure
from pipelines.measures import PRESENT_MEASURES

from ...charts import IntervalRow
from ...intervals import interval_key, interval_picture
from ...layout import Section, capitalised, not_counted_table
from .._data import AuditData
from .._intervals import benchmark_notes, rows_of, share_table

_NUMBNESS = tuple(measure.name for measure in PRESENT_MEASURES)


def numbness(data: AuditData) -> Section:
    """Shares with numbness at 6 and at 12 months, in either area and in each."""
    figures = [figure for name in _NUMBNESS for figure in data.complications if figure.measure == name]
    times = sorted({figure.at for figure in figures if figure.at is not None})
    rows: list[IntervalRow] = []
    for at in times:
        rows.append(IntervalRow(capitalised(milestone_label(at))))
        rows += rows_of([figure for figure in figures if figure.at == at], data, _label)
    return Section(
        "numbness",
        "Numbness",
        "numbness.html",
        {
            "picture": interval_picture(rows, "numbness", "numbness", "Share of sessions assessed"),
            "key": interval_key(rows, data.settings.floor_denominator, "sessions assessed"),
            "table": share_table(
                "Numbness still present",
                rows,
                head="Area",
                events="Still numb",
                counted="Sessions assessed",
                notes=benchmark_notes(rows, data),
            ),
            "not_counted": not_counted_table(
                "Sessions counted and not counted",
                "Time and area",
                [
                    (f"{capitalised(milestone_label(at))}, {_label(figure).lower()}", figure)
                    for at in times
                    for figure in figures
                    if figure.at == at
                ],
                "Assessed",
            ),
        },
    )


def milestone_label(due: int) -> str:
    """The name of the milestone that is due on that day, such as `month 6`."""
    return next(
        milestone.label for measure in PRESENT_MEASURES for milestone in measure.milestones if milestone.due == due
    )


def _label(figure: Figure) -> str:
    """The area alone: the section says that it is about numbness."""
    _, _, area = MEASURE_LABELS[figure.measure].partition(", ")
    return area.capitalize() or "Either area"
