"""How satisfied patients are, and how wide the scars of strips are."""

from __future__ import annotations

from pipelines import Figure
from pipelines.complication_model.measures import SCAR_MEAN
from pipelines.follow_up.milestones import FOLLOW_UP_MILESTONES

from ... import wording
from ...layout import Cell, Row, Section, Table, capitalised, not_counted_table
from .._data import AuditData

_MILESTONES = {milestone.due: capitalised(milestone.label) for milestone in FOLLOW_UP_MILESTONES}


def ratings(data: AuditData) -> Section:
    """Means with intervals, and who is missing from them."""
    return Section(
        "ratings",
        "Satisfaction and scars",
        "ratings.html",
        {
            "table": Table(
                "Mean satisfaction (0 worst, 10 best) and mean width of the scar of a strip",
                ("Rating or width", "Sessions", "Patients", "Mean"),
                tuple(
                    Row(
                        _label(figure),
                        (
                            Cell(wording.whole(figure.n)),
                            Cell(wording.whole(figure.n_clusters or 0)),
                            _mean_cell(figure),
                        ),
                    )
                    for figure in data.ratings
                ),
            ),
            "not_counted": not_counted_table(
                "Sessions counted and not counted", "", [(_label(figure), figure) for figure in data.ratings], "Counted"
            ),
        },
    )


def _label(figure: Figure) -> str:
    if figure.measure == SCAR_MEAN:
        return f"Scar width, day {(figure.window or '').replace('-', ' to ')}"
    return f"Satisfaction, {_MILESTONES[figure.at or 0].lower()}"


def _mean_cell(figure: Figure) -> Cell:
    if figure.estimate is None:
        return Cell("none counted", few=True)
    unit = " mm" if figure.measure == SCAR_MEAN else ""
    more = [] if figure.lower is None else [f"{figure.lower:.1f} to {figure.upper:.1f}"]
    few = "too_few" in figure.flags
    return Cell(f"{figure.estimate:.1f}{unit}", (*more, *(["too few"] if few else [])), few)
