"""Mean number of further sessions: by hand, with death, and what is not counted."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines import further_sessions
from registry.errors import GraftledgerError
from tests.pipelines.next_session.records import FOLLOWED, patient, session
from tests.small_registry import on, small_registry


def test_by_hand(empty_registry: Path) -> None:
    """*By hand*: four patients; a has two further sessions, b one on the last day, c dies on day 450, d one elsewhere.

    Mean by day 1000: 1/4 (day 400) + 3/4 alive x 1/3 at risk (day 600). By the last day: b's adds 3/4 x 1/3.
    """
    records = {
        "patient": [
            patient("a"),
            patient("b"),
            patient("c", died_on=on(450), status_at_last_contact="died"),
            patient("d"),
        ],
        "session": [
            *(session(name) for name in "abcd"),
            session("a", 2, 400),
            session("a", 3, 600),
            session("b", 2, FOLLOWED),
            session("d", 2, 500, surgeon_code="elsewhere"),
        ],
    }
    with small_registry(empty_registry, **records) as registry:
        first, last = further_sessions(registry, at_days=[1000, FOLLOWED])
    assert (first.estimate, last.estimate) == (pytest.approx(0.5), pytest.approx(0.75))
    assert (first.n, first.events, first.at_risk, last.events) == (4, 2, 3, 3)
    assert first.measure == "further_sessions_per_patient"


def test_a_session_before_enrolment_was_not_seen(empty_registry: Path) -> None:
    """*By hand*: a enters on day 500, after one session; b has one on day 600, with two at risk."""
    records = {
        "patient": [patient("a", enrolled_on=on(500)), patient("b")],
        "session": [session("a"), session("a", 2, 300), session("b"), session("b", 2, 600)],
    }
    with small_registry(empty_registry, **records) as registry:
        (figure,) = further_sessions(registry, at_days=[1000])
    assert (figure.estimate, figure.events) == (pytest.approx(0.5), 1)


def test_by_group_and_not_counted(empty_registry: Path) -> None:
    records = {
        "patient": [patient("a", sex="female"), patient("b", sex="male"), patient("c", sex="male", dates_shifted=True)],
        "session": [*(session(name) for name in "abc"), session("b", 2, 100)],
    }
    with small_registry(empty_registry, **records) as registry:
        figures = {figure.group["sex"]: figure for figure in further_sessions(registry, by=("sex",), at_days=[365])}
    assert (figures["female"].estimate, figures["male"].estimate) == (0.0, 1.0)
    assert dict(figures["male"].not_counted) == {"dates_shifted": 1}
    assert figures["intersex"].n == 0


def test_by_session_number_is_refused(empty_registry: Path) -> None:
    with small_registry(empty_registry) as registry, pytest.raises(GraftledgerError, match="counted from the first"):
        further_sessions(registry, by=("session_number",))
