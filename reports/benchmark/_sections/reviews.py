"""What was opened for review, what was found, and the surgeon's own reply."""

from __future__ import annotations

from pipelines.comparison.reviews import FLAGS, REPLY, STEPS, OutlierReview

from ... import wording
from ...layout import Cell, Row, Section, Table
from .._data import BenchmarkData


def reviews(data: BenchmarkData) -> Section | None:
    """All reviews of the surgeon, open ones first by number; None where there never was one."""
    if not data.reviews:
        return None
    return Section("reviews", "Reviews", "reviews.html", {"table": review_table(data.reviews)})


def review_table(found: tuple[OutlierReview, ...]) -> Table:
    """One row a review."""
    return Table(
        "Reviews opened",
        ("Review", "Opened for", "Steps", "Reply"),
        tuple(
            Row(
                f"{one.review_id}: {one.label}",
                (
                    Cell(FLAGS[one.flag], (one.period,)),
                    Cell(
                        f"due: {STEPS[one.next_step]}" if one.next_step else "closed",
                        tuple(
                            f"{STEPS[step.step]}, {wording.date_words(step.done_at.date())}: {step.told}"
                            for step in one.steps
                            if step.step != REPLY
                        ),
                    ),
                    Cell(
                        "none yet" if not one.replies else "",
                        tuple(step.told for step in one.replies),
                    ),
                ),
            )
            for one in sorted(found, key=lambda one: (not one.is_open, one.review_id))
        ),
        words=(1, 2, 3),
    )
