"""What was agreed, what became of it, and room for what is agreed now."""

from __future__ import annotations

from pipelines.agreed_actions import OUTCOMES, AgreedAction
from pipelines.comparison.reviews import STEPS

from ... import wording
from ...layout import Cell, Row, Section, Table
from .._data import AuditData

_EMPTY_ROWS = 5


def actions(data: AuditData) -> Section:
    """Open actions and those closed since the quarter began; reviews; empty rows for new ones."""
    since = data.quarter.first_on
    shown = [action for action in data.actions if action.closed_on is None or action.closed_on >= since]
    shown.sort(key=lambda action: (action.closed_on is not None, action.due_on, action.action_id))
    return Section(
        "actions",
        "Actions",
        "actions.html",
        {
            "table": Table(
                "Actions agreed, and what became of them",
                ("Action", "About", "Owner", "Agreed on", "Due on", "Status"),
                tuple(
                    Row(
                        f"{action.action_id}. {action.words}",
                        (
                            Cell(action.about or "–"),
                            Cell(action.owner),
                            Cell(action.agreed_on.isoformat()),
                            Cell(action.due_on.isoformat()),
                            Cell(_status(action, data)),
                        ),
                    )
                    for action in shown
                ),
                words=(1, 2, 5),
            ),
            "reviews": Table(
                "Outlier reviews that are open",
                ("Review", "Measure", "Period", "Opened on", "Next step", "Surgeon’s reply"),
                tuple(
                    Row(
                        f"{review.review_id}, surgeon {review.surgeon}",
                        (
                            Cell(review.label),
                            Cell(review.period),
                            Cell(review.opened_at.date().isoformat()),
                            Cell(STEPS[review.next_step] if review.next_step else "–"),
                            Cell("; ".join(step.told for step in review.replies) or "none yet"),
                        ),
                    )
                    for review in data.reviews
                    if review.is_open
                ),
                words=(1, 4, 5),
            ),
            "on": wording.date_words(data.on),
            "empty_rows": range(_EMPTY_ROWS),
        },
    )


def _status(action: AgreedAction, data: AuditData) -> str:
    if action.closed_on is not None:
        return f"closed on {action.closed_on.isoformat()}: {OUTCOMES[action.outcome or '']}"
    return "overdue" if action.is_overdue(data.on) else "open"
