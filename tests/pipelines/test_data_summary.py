"""What the registry holds. Expected values are *by hand*."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from pipelines import Figure, data_summary
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.small_registry import insert_rows, on, registry_in_memory


@pytest.fixture(scope="module")
def registry() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        insert_rows(
            opened,
            "patient",
            [
                {"patient_key": "a"},
                {"patient_key": "b", "enrolled_on": on(100)},
                {"patient_key": "c", "site_code": "B"},
            ],
        )
        insert_rows(
            opened,
            "session",
            [
                {"session_key": "a1", "patient_key": "a"},
                {"session_key": "a2", "patient_key": "a", "session_number": 2, "performed_on": on(200)},
                {
                    "session_key": "a3",
                    "patient_key": "a",
                    "session_number": 3,
                    "performed_on": on(300),
                    "surgeon_code": "elsewhere",
                    "learned_on": on(310),
                },
                {"session_key": "b1", "patient_key": "b", "performed_on": on(100)},
                {"session_key": "c1", "patient_key": "c", "site_code": "B"},
            ],
        )
        insert_rows(
            opened,
            "visit",
            [{"session_key": "a1", "visited_on": on(7)}, {"session_key": "c1", "visited_on": on(400)}],
        )
        insert_rows(opened, "complication", [{"session_key": "a1", "kind": "infection", "onset_day": 9}])
        insert_rows(opened, "graft_count", [{"session_key": "a1", "growing_grafts": 30}])
        insert_rows(
            opened,
            "site_period",
            [
                {"quarter": "2010-Q1", "records_complete_to": on(89), "sessions_declared": 4},
                {"quarter": "2010-Q2", "records_complete_to": on(600), "sessions_declared": 1},
                {"quarter": "2010-Q3", "records_complete_to": on(600)},
                {"site_code": "B", "quarter": "2010-Q2", "records_complete_to": on(180), "sessions_declared": 0},
            ],
        )
        yield opened


def by_site(figures: tuple[Figure, ...], measure: str) -> dict[str, float | None]:
    return {f.group.get("site_code", "all"): f.estimate for f in figures if f.measure == measure}


def test_counts(registry: Registry) -> None:
    figures = data_summary(registry)
    assert by_site(figures, "patients") == {"all": 3, "A": 2, "B": 1}
    assert by_site(figures, "sessions") == {"all": 4, "A": 3, "B": 1}
    assert by_site(figures, "visits") == {"all": 2, "A": 1, "B": 1}
    assert by_site(figures, "complications") == {"all": 1, "A": 1, "B": 0}
    assert by_site(figures, "graft_counts") == {"all": 1, "A": 1, "B": 0}
    assert by_site(figures, "sessions_in_quarter") == {}


def test_counts_up_to_a_day(registry: Registry) -> None:
    figures = data_summary(registry, as_of=on(99))
    assert by_site(figures, "patients") == {"all": 2, "A": 1, "B": 1}
    assert by_site(figures, "sessions") == {"all": 2, "A": 1, "B": 1}
    assert by_site(figures, "visits") == {"all": 1, "A": 1, "B": 0}
    assert by_site(figures, "graft_counts") == {"all": 0, "A": 0, "B": 0}


def test_sessions_in_a_quarter(registry: Registry) -> None:
    assert by_site(data_summary(registry, quarter="2010-Q1"), "sessions_in_quarter") == {"all": 2, "A": 1, "B": 1}
    with pytest.raises(GraftledgerError, match="YYYY-Qn"):
        data_summary(registry, quarter="2010-5")


def test_recorded_of_declared_covers_the_declared_quarters_alone(registry: Registry) -> None:
    """A declared 4 and 1, sent 1 and 1, and left its third quarter open; B declared 0, which is no denominator."""
    figures = data_summary(registry)
    assert by_site(figures, "sessions_recorded_of_declared") == {"all": 2 / 5, "A": 2 / 5, "B": None}
    (overall, *_) = (f for f in figures if f.measure == "sessions_recorded_of_declared")
    assert (overall.n, overall.events) == (5, 2)
    first = data_summary(registry, quarter="2010-Q1")
    assert by_site(first, "sessions_recorded_of_declared") == {"all": 1 / 4, "A": 1 / 4, "B": None}
    early = data_summary(registry, as_of=on(10))
    assert by_site(early, "sessions_recorded_of_declared") == {"all": 1 / 4, "A": 1 / 4, "B": None}


def test_median_follow_up_turns_events_into_censoring(registry: Registry) -> None:
    """At A one has a next session on day 200, the other is followed for 500 days; at B one for 180.

    Together 2/3 remain after day 180, and nobody after day 500.
    """
    figures = data_summary(registry)
    assert by_site(figures, "median_follow_up") == {"all": 500.0, "A": 500.0, "B": 180.0}
    (overall, *_) = (f for f in figures if f.measure == "median_follow_up")
    assert (overall.n, overall.method, overall.flags) == (3, "reverse_kaplan_meier", ("too_few",))


def test_a_patient_without_a_session_adds_no_site() -> None:
    with registry_in_memory() as opened:
        insert_rows(opened, "patient", [{"patient_key": "a"}])
        figures = data_summary(opened)
    assert by_site(figures, "median_follow_up") == {"all": None, "A": None, "B": None}


def test_an_empty_registry_has_no_median() -> None:
    with registry_in_memory() as opened:
        figures = data_summary(opened)
    assert by_site(figures, "median_follow_up") == {"all": None, "A": None, "B": None}
    assert by_site(figures, "patients") == {"all": 0, "A": 0, "B": 0}
