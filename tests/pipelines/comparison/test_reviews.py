"""Outlier reviews: steps in their order, words without identifiers, nothing ever changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.comparison.reviews import (
    FINDINGS,
    REPLY,
    STEPS,
    OutlierReview,
    open_review,
    open_reviews,
    outlier_reviews,
    update_review,
)
from registry.errors import GraftledgerError
from registry.store import Registry, open_registry
from tests.small_registry import insert_rows, key


def opened(registry: Registry, measure: str = "infection", period: str = "2026-Q3") -> OutlierReview:
    found = open_review(registry, "S1", measure, period, opened_by="director", flag="alert", basis={"observed": 5})
    assert found is not None
    return found


def test_a_review_goes_step_by_step_to_its_end(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        review = opened(registry)
        assert (review.next_step, review.is_open, review.basis) == ("data_check", True, {"observed": 5})
        for step in STEPS:
            assert open_reviews(registry) == (review,)
            review = update_review(registry, 1, step, next(iter(FINDINGS[step])), done_by="director")
        assert not review.is_open
        assert review.next_step is None
        assert review.closed_at is not None
        assert open_reviews(registry) == ()
        assert outlier_reviews(registry) == (review,)
        assert [one.done_by for one in review.steps] == ["director"] * 4


def test_a_step_is_not_skipped_nor_done_twice(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        opened(registry)
        with pytest.raises(GraftledgerError, match="The step that is due is data_check"):
            update_review(registry, 1, "clinical_review", "no_cause_found", done_by="director")
        update_review(registry, 1, "data_check", "records_right", done_by="director")
        with pytest.raises(GraftledgerError, match="The step that is due is case_mix_check"):
            update_review(registry, 1, "data_check", "records_right", done_by="director")
        for wrong in (("data_chek", "records_right"), ("case_mix_check", "records_right")):
            with pytest.raises(GraftledgerError):
                update_review(registry, 1, *wrong, done_by="director")
        with pytest.raises(GraftledgerError, match="There is no outlier review 2"):
            update_review(registry, 2, "data_check", "records_right", done_by="director")
        assert len(outlier_reviews(registry)[0].steps) == 1


def test_one_is_opened_once_for_a_surgeon_and_measure(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        opened(registry)
        assert open_review(registry, "S1", "infection", "2026-Q4", opened_by="director") is None  # still open
        assert open_review(registry, "S1", "folliculitis", "2026-Q3", opened_by="director") is not None
        for step in STEPS:
            update_review(registry, 1, step, next(iter(FINDINGS[step])), done_by="director")
        assert open_review(registry, "S1", "infection", "2026-Q3", opened_by="director") is None  # was for this quarter
        assert open_review(registry, "S1", "infection", "2026-Q4", opened_by="director") is not None


def test_unknown_surgeons_and_measures_are_refused(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        with pytest.raises(GraftledgerError, match="no surgeon 'S9'"):
            open_review(registry, "S9", "infection", "2026-Q3", opened_by="director")
        with pytest.raises(GraftledgerError, match="Did you mean infection"):
            open_review(registry, "S1", "infektion", "2026-Q3", opened_by="director")


def test_the_surgeon_replies_at_any_time(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        opened(registry)
        review = update_review(
            registry, 1, REPLY, "explains", done_by="S1", words="Two of five had a wound before  they came."
        )
        assert review.next_step == "data_check"
        assert [one.words for one in review.replies] == ["Two of five had a wound before they came."]
        for step in STEPS:
            update_review(registry, 1, step, next(iter(FINDINGS[step])), done_by="director")
        assert len(update_review(registry, 1, REPLY, "agrees", done_by="S1").replies) == 2


@pytest.mark.parametrize(
    "words",
    [
        "",
        "x" * 501,
        "John Smith had it before",
        "He was seen on 12.3.2020",
        "Write to a.b@example.org",
        f"Look at {key('s1')} again",
        f"Look at {key('p1')} again",
    ],
)
def test_words_that_may_identify_a_patient_are_refused(empty_registry: Path, words: str) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(registry, "patient", [{"patient_key": "p1", "last_contact_on": "2020-01-01"}])
        insert_rows(registry, "session", [{"session_key": "s1", "patient_key": "p1"}])
        opened(registry)
        with pytest.raises(GraftledgerError) as refusal:
            update_review(registry, 1, REPLY, "explains", done_by="S1", words=words)
        assert not words or words not in str(refusal.value)
        assert not outlier_reviews(registry)[0].steps


def test_an_earlier_state_shows_what_was_written_down_by_then(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        opened(registry)
        registry.connection.execute("insert into intake select 1, 'files', now()::timestamp, 'test', '0', 'a', 'a'")
        update_review(registry, 1, "data_check", "records_right", done_by="director")
    with open_registry(empty_registry, as_of_intake=1) as registry:
        assert len(outlier_reviews(registry)[0].steps) == 1


def test_every_step_has_findings() -> None:
    assert list(FINDINGS) == [*STEPS, REPLY]
    assert all(FINDINGS.values())
