"""Outlier reviews: what is done once a result lies outside the limits, step by step, with the surgeon's own words.

Nothing is ever changed: a review is opened once, and each step is a line of its own.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from registry.changes import last_intake_id, transaction
from registry.errors import Fault, GraftledgerError, nearest
from registry.store import Registry, has_table

from .measures import COMPARED

STEPS: Mapping[str, str] = {
    "data_check": "data check",
    "case_mix_check": "case-mix check",
    "clinical_review": "clinical review",
    "closed": "closed",
}
"""The steps in their order: each once, none skipped."""
REPLY = "reply"

FINDINGS: Mapping[str, Mapping[str, str]] = {
    "data_check": {
        "records_right": "records are right",
        "records_corrected": "records were wrong and were corrected",
        "follow_up_uneven": "follow-up or recording differs from the others'",
    },
    "case_mix_check": {
        "explained": "patients differ in what the model does not hold, which explains it",
        "partly_explained": "case-mix explains a part",
        "not_explained": "case-mix does not explain it",
    },
    "clinical_review": {
        "no_cause_found": "no cause found",
        "cause_found": "a cause was found",
        "not_reviewed": "not needed after the checks before",
    },
    "closed": {
        "data": "the records",
        "case_mix": "case-mix",
        "chance": "chance is the likeliest reading",
        "practice_changed": "practice was changed",
        "watched_further": "no change; watched further",
    },
    REPLY: {
        "agrees": "the surgeon agrees with what was found",
        "explains": "the surgeon adds an explanation",
        "disagrees": "the surgeon disagrees with what was found",
    },
}
"""What each step may find, and how to say it."""

FLAGS: Mapping[str, str] = {"alert": "alert", "priority_review": "priority review", "by_hand": "opened by hand"}
LONGEST_WORDS = 500
_DAY = re.compile(r"[0-9]{4,}|[0-9]{1,2} ?[./-] ?[0-9]{1,2}\b")


@dataclass(frozen=True)
class ReviewStep:
    """One step that was done. finding: a code of FINDINGS. words: of a reply alone."""

    step: str
    finding: str
    words: str | None
    done_at: datetime
    done_by: str

    @property
    def told(self) -> str:
        """What it found, in words; of a reply also the surgeon's own."""
        return FINDINGS[self.step][self.finding] + (f": {self.words}" if self.words else "")


@dataclass(frozen=True)
class OutlierReview:
    """A review. period: the quarter of the page that opened it. basis: the result it was opened for."""

    review_id: int
    surgeon: str
    measure: str
    period: str
    flag: str
    basis: Mapping[str, Any]
    snapshot: str
    opened_at: datetime
    opened_by: str
    steps: tuple[ReviewStep, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether it is not closed yet."""
        return all(one.step != "closed" for one in self.steps)

    @property
    def closed_at(self) -> datetime | None:
        """When it was closed."""
        return next((one.done_at for one in self.steps if one.step == "closed"), None)

    @property
    def next_step(self) -> str | None:
        """The step that is due; None once closed."""
        done = {one.step for one in self.steps}
        return None if not self.is_open else next(step for step in STEPS if step not in done)

    @property
    def label(self) -> str:
        """The measure in words."""
        return COMPARED[self.measure].label if self.measure in COMPARED else self.measure

    @property
    def replies(self) -> tuple[ReviewStep, ...]:
        """What the surgeon said."""
        return tuple(one for one in self.steps if one.step == REPLY)


def outlier_reviews(
    registry: Registry, *, surgeon: str | None = None, open_only: bool = False
) -> tuple[OutlierReview, ...]:
    """Every review by its number; shown as of an earlier intake, what was written down before the next one."""
    if not has_table(registry.connection, "outlier_review"):
        return ()
    until = {"until": registry.as_of_intake}
    steps: dict[int, list[ReviewStep]] = {}
    for review_id, *rest in registry.connection.execute(
        "select review_id, step, finding, words, done_at, done_by from outlier_review_step "
        "where intake_id <= coalesce($until, intake_id) order by review_id, step_number",
        until,
    ).fetchall():
        steps.setdefault(review_id, []).append(ReviewStep(*rest))

    def done(number: int) -> tuple[ReviewStep, ...]:
        return tuple(steps.get(number, ()))

    rows = registry.connection.execute(
        "select review_id, surgeon_code, measure, period, flag, basis, snapshot, opened_at, opened_by "
        "from outlier_review where intake_id <= coalesce($until, intake_id) order by review_id",
        until,
    ).fetchall()
    found = [
        OutlierReview(number, code, measure, period, flag, json.loads(basis), snapshot, at, by, done(number))
        for number, code, measure, period, flag, basis, snapshot, at, by in rows
    ]
    return tuple(one for one in found if (surgeon is None or one.surgeon == surgeon) and (one.is_open or not open_only))


def open_reviews(registry: Registry) -> tuple[OutlierReview, ...]:
    """Those that are not closed, by number, for the audit: each stands there until it is closed."""
    return outlier_reviews(registry, open_only=True)


def open_review(
    registry: Registry,
    surgeon: str,
    measure: str,
    period: str,
    *,
    opened_by: str,
    flag: str = "by_hand",
    basis: Mapping[str, Any] | None = None,
) -> OutlierReview | None:
    """Open a review; None where one of this surgeon and measure is open already, or was opened for this period.

    Raises: GraftledgerError for an unknown surgeon or measure (naming the nearest).
    """
    checked_surgeon(registry, surgeon)
    if measure not in COMPARED:
        raise GraftledgerError(f"There is no measure '{measure}'. {nearest(measure, list(COMPARED))}")
    known = outlier_reviews(registry, surgeon=surgeon)
    if any(one.measure == measure and (one.is_open or one.period == period) for one in known):
        return None
    connection = registry.connection
    with transaction(connection):
        number = int(connection.execute("select coalesce(max(review_id), 0) + 1 from outlier_review").fetchall()[0][0])
        connection.execute(
            "insert into outlier_review values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                *(number, surgeon, measure, period, flag, json.dumps(dict(basis or {}))),
                *(last_intake_id(connection), registry.snapshot, _now(), opened_by),
            ],
        )
    return _known(registry, number)


def update_review(
    registry: Registry, review_id: int, step: str, finding: str, *, done_by: str, words: str | None = None
) -> OutlierReview:
    """Write down the next step with what it found, or a reply of the surgeon, which may come at any time.

    words: of a reply alone, without anything that may identify a patient.
    Raises: GraftledgerError where there is no such review, step or finding, the step is not the one that is due, or
    the words are too long or may identify somebody.
    """
    review = _known(registry, review_id)
    if step not in FINDINGS:
        raise GraftledgerError(f"There is no step '{step}'. {nearest(step, list(STEPS))}")
    if finding not in FINDINGS[step]:
        raise GraftledgerError(
            Fault(f"'{finding}' is no finding of the step {step}.", mend=f"Choose {', '.join(FINDINGS[step])}.")
        )
    if step != REPLY and step != review.next_step:
        due = f"The step that is due is {review.next_step}." if review.next_step else "It is closed."
        raise GraftledgerError(f"Review {review_id} cannot take the step {step}. {due}")
    told = _checked_words(registry, words) if words is not None and step == REPLY else None
    connection = registry.connection
    with transaction(connection):
        connection.execute(
            "insert into outlier_review_step values (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                *(review_id, len(review.steps) + 1, step, finding, told),
                *(last_intake_id(connection), _now(), done_by),
            ],
        )
    return _known(registry, review_id)


def checked_surgeon(registry: Registry, surgeon: str) -> None:
    """Raises: GraftledgerError where the settings list no such surgeon."""
    if surgeon not in registry.settings.surgeons:
        raise GraftledgerError(f"There is no surgeon '{surgeon}'. {nearest(surgeon, list(registry.settings.surgeons))}")


def _known(registry: Registry, review_id: int) -> OutlierReview:
    known = {one.review_id: one for one in outlier_reviews(registry)}
    if review_id not in known:
        there = f"Known: 1 to {max(known)}." if known else "None has been opened yet."
        raise GraftledgerError(f"There is no outlier review {review_id}. {there}")
    return known[review_id]


def _checked_words(registry: Registry, words: str) -> str:
    import polars as pl

    from ..identifiers.classify import classified
    from ..identifiers.names import has_given_name

    text = " ".join(words.split())
    faults = []
    if not text:
        faults.append(Fault("the reply is empty.", mend="Leave --words out, or say something."))
    if len(text) > LONGEST_WORDS:
        faults.append(Fault(f"the reply is longer than {LONGEST_WORDS} letters.", mend="Say it shorter."))
    if kind := classified(pl.Series([text])).get(text):
        faults.append(
            Fault(f"the reply looks as if it held {kind.value}.", mend="Leave out names, numbers and dates of people.")
        )
    elif has_given_name(text):
        faults.append(Fault("the reply looks as if it held a person's name.", mend="Say it without the name."))
    if _DAY.search(text):
        faults.append(Fault("the reply looks as if it held a day.", mend="Leave out days and numbers of people."))
    if _holds_a_key(registry, text):
        faults.append(
            Fault(
                "the reply holds the key of a session or a patient, which an erasure would not find there.",
                mend="Speak of the case without its key.",
            )
        )
    if faults:
        raise GraftledgerError(*faults)
    return text


def _holds_a_key(registry: Registry, text: str) -> bool:
    query = (
        "select exists(from session where contains($text, session_key)) "
        "or exists(from patient where contains($text, patient_key))"
    )
    return bool(registry.connection.execute(query, {"text": text}).fetchall()[0][0])


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0)
