"""Competing events: each by hand, the sums, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines import Figure, next_session_causes, time_to_next_session
from pipelines.measures import DEATH_BEFORE_NEXT_SESSION, NEXT_SESSION_CAUSES, SessionCause
from pipelines.next_session.causes import session_cause_sql
from registry.definition.codes import SESSION_REASON
from registry.errors import GraftledgerError
from tests.pipelines.next_session.records import patient, session
from tests.small_registry import Row, on, small_registry

DEAD = {"status_at_last_contact": "died"}
RECORDS: dict[str, list[Row]] = {
    "patient": [
        patient("a"),
        patient("b"),
        patient("c", died_on=on(600), **DEAD),
        patient("d"),
        patient("e", died_on=on(700), **DEAD),
    ],
    "session": [
        *(session(name) for name in "abcde"),
        session("a", 2, 400, session_reason="planned_stage"),
        session("b", 2, 800, session_reason="density"),
        session("e", 2, 700, session_reason="unknown"),
    ],
}


def by_measure(figures: tuple[Figure, ...]) -> dict[str, Figure]:
    return {figure.measure: figure for figure in figures}


def test_reasons_and_death_by_hand(empty_registry: Path) -> None:
    """*By hand*: 5 wait; planned at 400 (1/5), death at 600 (1/5), not recorded at 700 (1/5), density at 800 (1/5).

    Patient e has a session on the day of death: the session counts.
    """
    with small_registry(empty_registry, **RECORDS) as registry:
        found = by_measure(next_session_causes(registry, competing="reason", at_days=[1000]))
    assert {name: figure.estimate for name, figure in found.items()} == pytest.approx(
        {
            "next_session_for_progression_or_density": 0.2,
            "next_session_as_planned_stage": 0.2,
            "next_session_for_another_reason": 0.0,
            "next_session_reason_not_recorded": 0.2,
            DEATH_BEFORE_NEXT_SESSION: 0.2,
        }
    )
    assert {figure.at_risk for figure in found.values()} == {1}
    assert {figure.method for figure in found.values()} == {"aalen_johansen"}


def test_with_death_alone_sessions_of_any_reason_are_one(empty_registry: Path) -> None:
    """*By hand*: three of five by day 1000; the plain curve, which lets the dead wait on, is higher."""
    with small_registry(empty_registry, **RECORDS) as registry:
        found = by_measure(next_session_causes(registry, at_days=[1000]))
        (plain,) = time_to_next_session(registry, by=(), at_days=[1000])
    assert found["next_session_incidence"].estimate == pytest.approx(3 / 5)
    assert found[DEATH_BEFORE_NEXT_SESSION].estimate == pytest.approx(1 / 5)
    assert plain.estimate == pytest.approx(1 - 4 / 5 * 2 / 3 * 1 / 2)


def test_a_death_after_the_records_end_is_not_seen(empty_registry: Path) -> None:
    records = RECORDS | {"site_period": [{"records_complete_to": on(590)}]}
    with small_registry(empty_registry, **records) as registry:
        found = by_measure(next_session_causes(registry, at_days=[590]))
    assert found[DEATH_BEFORE_NEXT_SESSION].events == 0
    assert found["next_session_incidence"].estimate == pytest.approx(1 / 5)


def test_second_session_as_the_start(empty_registry: Path) -> None:
    """*By hand*: of three with a second session, the one of patient a is followed by a third on day 500."""
    more = [*RECORDS["session"], session("a", 3, 500, session_reason="repair")]
    with small_registry(empty_registry, patient=RECORDS["patient"], session=more) as registry:
        found = by_measure(next_session_causes(registry, competing="reason", at_days=[200], number="2"))
    another = found["next_session_for_another_reason"]
    # patient e died on the day of the second session
    assert (another.n, another.events, dict(another.group)) == (3, 1, {"session_number": "2"})
    assert found[DEATH_BEFORE_NEXT_SESSION].estimate == pytest.approx(1 / 3)


def test_every_reason_has_one_cause() -> None:
    named = [reason for cause in NEXT_SESSION_CAUSES for reason in cause.reasons or ()]
    assert len(named) == len(set(named))
    assert set(SESSION_REASON.names) - set(named) == {"unknown"}
    with pytest.raises(ValueError, match="last cause"):
        session_cause_sql((SessionCause("a", "m", "L", ("density",)),))


def test_refusals(empty_registry: Path) -> None:
    with small_registry(empty_registry) as registry:
        with pytest.raises(GraftledgerError, match="death or reason"):
            next_session_causes(registry, competing="age")
        with pytest.raises(GraftledgerError, match="single session number"):
            next_session_causes(registry, number="3+")
