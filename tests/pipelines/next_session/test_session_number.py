"""Times from the second and later sessions, and from the first surgery anywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipelines import Figure, time_to_next_session
from pipelines.next_session.estimands import session_number
from registry.errors import GraftledgerError
from tests.pipelines.next_session.records import FOLLOWED, patient, session
from tests.small_registry import Row, on, small_registry


def one(folder: Path, records: dict[str, list[Row]], **options: Any) -> Figure:
    with small_registry(folder, **records) as registry:
        (figure,) = time_to_next_session(registry, by=(), **{"at_days": [250], **options})
    return figure


LATER: dict[str, list[Row]] = {
    "patient": [patient(name) for name in "abc"],
    "session": [
        *(session("a", number, day) for number, day in ((1, 0), (2, 300), (3, 500), (4, 900), (5, 1000))),
        *(session("b", number, day) for number, day in ((1, 0), (2, 400), (3, 700))),
        session("c"),
    ],
}


def test_from_the_second(empty_registry: Path) -> None:
    """*By hand*: two had a second session; a third came after 200 and 300 days."""
    figure = one(empty_registry, LATER, number="2")
    assert (figure.n, figure.n_unit, figure.events, figure.at_risk) == (2, "patients", 1, 1)
    assert figure.estimate == pytest.approx(1 / 2)
    assert dict(figure.group) == {"session_number": "2"}
    assert dict(figure.not_counted) == {}


def test_from_the_third_and_later_ones(empty_registry: Path) -> None:
    """*By hand*: four spells of two patients: three of a (400, 100 days, then none), one of b."""
    figure = one(empty_registry, LATER, number="3+")
    assert (figure.n, figure.n_unit, figure.n_clusters) == (4, "sessions", 2)
    assert figure.estimate == pytest.approx(1 / 4)
    assert figure.method == "kaplan_meier_clustered"


def test_limits_are_wider_than_if_spells_were_patients(empty_registry: Path) -> None:
    """Each of ten patients has three later gaps of one length: 30 spells tell no more than ten."""
    names = [f"p{number}" for number in range(10)]
    gaps = {name: 100 if place < 5 else 600 for place, name in enumerate(names)}
    sessions = [session(name, k, (k - 1) * gaps[name]) for name in names for k in range(1, 7)]
    records = {"patient": [patient(name) for name in names], "session": sessions}
    with small_registry(empty_registry, **records) as registry:
        (pooled,) = time_to_next_session(registry, by=(), at_days=[250], number="3+")
        (third,) = time_to_next_session(registry, by=(), at_days=[250], number="3")
    assert pooled.lower is not None
    assert third.lower is not None
    assert (pooled.n, pooled.n_clusters, third.n) == (40, 10, 10)
    # by hand: of 40 spells 15 have ended and 10 were cut off by the day; the width is near that of the ten
    assert pooled.estimate == pytest.approx(15 / 40, abs=0.06)
    assert pooled.upper is not None
    assert pooled.upper - pooled.lower > 0.3


@pytest.mark.parametrize("text", ["0", "-1", "3-", "first", "2+2", ""])
def test_what_is_no_session_number(text: str) -> None:
    with pytest.raises(GraftledgerError, match=r"1, 2, or 3\+"):
        session_number(text)


def first_elsewhere(name: str, first_day: int, enrolled_day: int, **fields: Any) -> Row:
    return patient(name, first_surgery_on=on(first_day), sessions_elsewhere=1, enrolled_on=on(enrolled_day), **fields)


class TestFromFirst:
    """From the first surgery anywhere, seen from the enrolment on."""

    def test_by_hand(self, empty_registry: Path) -> None:
        """*By hand*: a from day 0, with a second on day 300; b operated on elsewhere on day 0, enrolled on day 100, at
        risk from day 191 of its own time, with a session here on day 400."""
        records = {
            "patient": [patient("a"), first_elsewhere("b", 0, 100), patient("c")],
            "session": [session("a"), session("a", 2, 300), session("b", 2, 400), session("c")],
        }
        with small_registry(empty_registry, **records) as registry:
            before, after = time_to_next_session(registry, by=(), at_days=[350, 450], estimand="from-first")
        assert before.estimate == pytest.approx(1 / 3)
        assert after.estimate == pytest.approx(1 - 2 / 3 * 1 / 2)
        assert (after.n, after.measure) == (3, "next_session_from_first_probability")

    @pytest.mark.parametrize(
        ("reason", "row", "sessions"),
        [
            ("enrolled_for_session", first_elsewhere("b", 0, 100), [session("b", 2, 150)]),
            ("had_one_before", first_elsewhere("b", 0, 100) | {"sessions_elsewhere": 2}, [session("b", 3, 900)]),
            ("no_start_date", first_elsewhere("b", 0, 100, first_surgery_precision="year"), []),
            ("no_start_date", patient("b", sessions_elsewhere=1, enrolled_on=on(100)), []),
            ("dates_shifted", first_elsewhere("b", 0, 100, dates_shifted=True), []),
            ("enrolled_late", first_elsewhere("b", 0, FOLLOWED), []),
        ],
    )
    def test_who_is_left_out(self, empty_registry: Path, reason: str, row: Row, sessions: list[Row]) -> None:
        figure = one(
            empty_registry,
            {"patient": [patient("a"), row], "session": [session("a"), *sessions]},
            estimand="from-first",
        )
        assert (figure.n, dict(figure.not_counted)) == (1, {reason: 1})

    def test_a_session_on_the_day_that_follows_the_first_90_counts(self, empty_registry: Path) -> None:
        records = {
            "patient": [patient("a"), first_elsewhere("b", 0, 100)],
            "session": [session("a"), session("b", 2, 191)],
        }
        assert one(empty_registry, records, estimand="from-first").estimate == pytest.approx(1 / 2)

    def test_what_does_not_go_together(self, empty_registry: Path) -> None:
        with small_registry(empty_registry) as registry:
            with pytest.raises(GraftledgerError, match="fields of the patient only, not technique"):
                time_to_next_session(registry, by=("technique",), estimand="from-first")
            with pytest.raises(GraftledgerError, match="leave out the session number"):
                time_to_next_session(registry, by=(), estimand="from-first", number="2")
            with pytest.raises(GraftledgerError, match="Give a single number"):
                time_to_next_session(registry, by=(), estimand="anywhere", number="2+")
