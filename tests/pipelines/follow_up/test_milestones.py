"""Follow-up completeness by milestone. Every expectation is *by hand* unless it says otherwise."""

from __future__ import annotations

import itertools
from datetime import date
from pathlib import Path

import pytest

from pipelines.follow_up import milestone_contacts, quarter_contacts
from pipelines.follow_up.milestones import FOLLOW_UP_MILESTONES
from registry.store import Registry
from tests.small_registry import on, small_registry


def patients(*names: str, **fields: object) -> list[dict[str, object]]:
    return [{"patient_key": name, **fields} for name in names]


def session(name: str, day: int = 0, number: int = 1, **fields: object) -> dict[str, object]:
    key = f"{name}-{number}"
    return {"session_key": key, "patient_key": name, "performed_on": on(day), "session_number": number, **fields}


def visits(name: str, *days: int, start: int = 0) -> list[dict[str, object]]:
    return [{"visit_key": f"{name}-{day}", "session_key": f"{name}-1", "visited_on": on(start + day)} for day in days]


def test_contacts_those_not_due_and_those_who_left(empty_registry: Path) -> None:
    """a comes to all, b only on day 1, c dies on day 100, d has a second session on day 200, e is of last month."""
    last = (date(2020, 1, 1) - on(0)).days
    records = {
        "patient": [
            *patients("a", "b", "d", "e"),
            {"patient_key": "c", "status_at_last_contact": "died", "died_on": on(100)},
        ],
        "session": [
            *(session(name) for name in "abc"),
            session("d"),
            session("d", 200, 2),
            session("e", last - 30),
        ],
        "visit": [
            *visits("a", 1, 7, 90, 182, 365),
            *visits("b", 1),
            *visits("c", 0, 9, 70),
            *visits("d", 2, 16, 61, 190),
        ],
    }
    with small_registry(empty_registry, **records) as registry:
        figures = {figure.at: figure for figure in milestone_contacts(registry)}
    assert [(f.n, f.events) for f in figures.values()][:5] == [(6, 4), (6, 2), (4, 2), (3, 1), (3, 1)]
    assert figures[182].not_counted == {"not_due": 1, "died": 1, "operated_again": 1}
    assert figures[1].n_clusters == 5
    assert figures[1].window == "0-2"


def test_limits_against_other_software(empty_registry: Path) -> None:
    """*Other software*, R 4.2: prop.test(1, 12, correct = FALSE)."""
    names = [f"p{number}" for number in range(12)]
    records = {"patient": patients(*names), "session": [session(name) for name in names], "visit": visits("p3", 1)}
    with small_registry(empty_registry, **records) as registry:
        figure = milestone_contacts(registry)[0]
    assert (figure.lower, figure.upper) == pytest.approx((0.01486, 0.35390), abs=1e-4)


def test_only_milestones_that_closed_in_a_span(empty_registry: Path) -> None:
    records = {
        "patient": patients("a", "b"),
        "session": [session("a"), session("b", 30)],
        "visit": [*visits("a", 90), *visits("b", 90, start=30)],
    }
    with small_registry(empty_registry, **records) as registry:
        at = {f.at: f for f in milestone_contacts(registry, closed_from=on(120), closed_to=on(149))}
    assert (at[91].n, at[91].events) == (1, 1)  # a closes on day 120, b on day 150
    assert at[1].n == 0
    assert at[1].estimate is None


def test_as_of_ignores_what_came_later(empty_registry: Path) -> None:
    records = {"patient": patients("a"), "session": [session("a")], "visit": visits("a", 90)}
    with small_registry(empty_registry, **records) as registry:
        at = {f.at: f for f in milestone_contacts(registry, as_of=on(100))}
    assert at[91].n == 0
    assert at[91].not_counted == {"not_due": 1}


def test_groups_that_are_empty_are_shown(empty_registry: Path) -> None:
    records = {"patient": patients("a"), "session": [session("a")]}
    with small_registry(empty_registry, **records) as registry:
        groups = [figure.group["site_code"] for figure in milestone_contacts(registry, by=("site_code",))]
    assert groups == ["A", "B"] * len(FOLLOW_UP_MILESTONES)


def test_an_empty_registry_has_figures_without_a_share(empty_registry: Path) -> None:
    with small_registry(empty_registry) as registry:
        assert {figure.estimate for figure in milestone_contacts(registry)} == {None}


def test_no_day_serves_two_milestones() -> None:
    """The record model: one visit serves one milestone."""
    spans = [(each.opens, each.closes) for each in FOLLOW_UP_MILESTONES]
    assert all(before[1] < after[0] for before, after in itertools.pairwise(spans))


def test_it_only_reads(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=patients("a"), session=[session("a")]) as registry:
        before = _tables(registry)
        milestone_contacts(registry)
        assert _tables(registry) == before


def _tables(registry: Registry) -> list[tuple[str]]:
    return registry.connection.execute("select table_name from duckdb_tables() order by all").fetchall()


def test_three_looks_at_once_are_what_each_is_alone(empty_registry: Path) -> None:
    records = {
        "patient": patients("a", "b", "c"),
        "session": [session("a"), session("b", 30), session("c", 60, site_code="B")],
        "visit": [*visits("a", 1, 90), *visits("b", 90, start=30), *visits("c", 7, start=60)],
        "site_period": [{}, {"site_code": "B"}],
    }
    with small_registry(empty_registry, **records) as registry:
        first, last = on(120), on(170)
        together = quarter_contacts(registry, first, last, by=("site_code",))
        alone = (
            milestone_contacts(registry, as_of=last),
            milestone_contacts(registry, closed_from=first, closed_to=last, as_of=last),
            milestone_contacts(registry, by=("site_code",), as_of=last),
        )
        assert quarter_contacts(registry, first, last)[2] == ()
    assert together == alone
    assert [figure.n for figure in together[1]][2] == 2
