"""Graft survival: which counts speak, and what becomes of a session without one. Expected values are *by hand*."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from pipelines import Figure, graft_survival
from pipelines.estimators import RatioSums, clustered_ratio
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.small_registry import Row, insert_rows, on, registry_in_memory

RECORDS = ("patient", "session", "graft_count", "site_period")


@pytest.fixture(scope="module")
def empty() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        yield opened


def fill(registry: Registry, **records: list[Row]) -> None:
    records.setdefault("site_period", [{"records_complete_to": on(2000)}])
    for name in RECORDS:
        registry.connection.execute(f"delete from {name}")
        insert_rows(registry, name, records.get(name, []))


def figure(
    registry: Registry,
    counts: list[Row],
    *,
    patient: Row | None = None,
    others: list[Row] | None = None,
    measure: str = "graft_survival",
    **options: Any,
) -> Figure:
    """The figure over one session on day 0 with these counts."""
    fill(
        registry,
        patient=[{"patient_key": "p", **(patient or {})}],
        session=[{"session_key": "s", "patient_key": "p"}, *(others or [])],
        graft_count=[{"session_key": "s", **row} for row in counts],
    )
    figures = graft_survival(registry, by=("session_number",), **options)
    (found,) = (f for f in figures if (f.measure, f.group["session_number"]) == (measure, "1"))
    return found


def count(day: int, growing: int | None, placed: int = 40, **fields: Any) -> Row:
    hairs = {"growing_hairs": 50} if growing is None else {}
    return {"counted_on": on(day), "growing_grafts": growing, "placed_grafts": placed, **hairs, **fields}


@pytest.mark.parametrize(
    ("estimate", "counts"),
    [
        (36 / 40, [count(365, 36)]),
        (36 / 40, [count(304, 36)]),
        (36 / 40, [count(547, 36)]),
        # of several counts of one area the nearest to a year; of two equally near the earlier
        (36 / 40, [count(305, 20), count(400, 36), count(500, 20)]),
        (36 / 40, [count(360, 36), count(370, 20)]),
        # the first reading, whether it is numbered or not
        (36 / 40, [count(365, 36, repeat_number=1), count(365, 20, repeat_number=2)]),
        (36 / 40, [count(370, 36), count(365, 20, repeat_number=2)]),
        # one that counted grafts rather than one that counted hairs alone
        (36 / 40, [count(365, None), count(400, 36)]),
        # areas add up, they are not averaged; other zones are left out
        (56 / 100, [count(365, 36), count(365, 20, 60, area_label="B")]),
        (36 / 40, [count(365, 36), count(365, 1, area_label="B", zone="eyebrow")]),
        (36 / 40, [count(365, 36), count(365, 1, area_label="B", zone=None)]),
        # more growing than placed is kept
        (44 / 40, [count(365, 44)]),
    ],
)
def test_which_counts_speak(empty: Registry, estimate: float, counts: list[Row]) -> None:
    found = figure(empty, counts)
    assert found.estimate == pytest.approx(estimate)
    assert dict(found.not_counted) == {}
    flags = ("too_few", "alert") if estimate > 1 else ("too_few",)
    assert (found.n_unit, found.n_clusters, found.flags) == ("areas", 1, flags)


LATER = {"session_key": "s2", "patient_key": "p", "session_number": 2}


@pytest.mark.parametrize(
    ("reason", "counts", "facts"),
    [
        ("missed_visit", [], {}),
        ("missed_visit", [count(303, 36)], {}),
        ("missed_visit", [count(548, 36)], {}),
        ("missed_visit", [count(365, 36, zone="beard")], {}),
        ("item_empty", [count(365, None)], {}),
        ("not_due", [], {"as_of": on(546)}),
        ("not_due", [count(365, 36)], {"as_of": on(364)}),
        ("missed_visit", [], {"as_of": on(547)}),
        ("died", [], {"patient": {"died_on": on(547), "status_at_last_contact": "died"}}),
        ("operated_again", [], {"others": [{**LATER, "performed_on": on(547)}]}),
        ("operated_again", [count(401, 36)], {"others": [{**LATER, "performed_on": on(400)}]}),
        ("missed_visit", [], {"others": [{**LATER, "performed_on": on(548)}]}),
        ("not_reached", [], {"patient": {"status_at_last_contact": "left_care", "last_contact_on": on(303)}}),
        ("missed_visit", [], {"patient": {"status_at_last_contact": "left_care", "last_contact_on": on(304)}}),
        ("dates_shifted", [count(365, 36)], {"patient": {"dates_shifted": True}}),
    ],
)
def test_who_is_not_counted(empty: Registry, reason: str, counts: list[Row], facts: dict[str, Any]) -> None:
    found = figure(empty, counts, **facts)
    assert (found.n, found.estimate, found.at_risk) == (0, None, 0)
    assert dict(found.not_counted) == {reason: 1}


def test_a_count_on_the_day_of_a_further_session_is_of_this_one_alone(empty: Registry) -> None:
    assert figure(empty, [count(400, 36)], others=[{**LATER, "performed_on": on(400)}]).n == 1


def test_a_count_is_used_as_soon_as_it_is_made(empty: Registry) -> None:
    assert figure(empty, [count(365, 36)], as_of=on(365)).n == 1


def test_the_patient_is_the_unit_of_the_limits(empty: Registry) -> None:
    """Two sessions of p and one of q: p's are added up before anything is squared."""
    fill(
        empty,
        patient=[{"patient_key": "p"}, {"patient_key": "q"}],
        session=[
            {"session_key": "s", "patient_key": "p"},
            {**LATER, "performed_on": on(600)},
            {"session_key": "t", "patient_key": "q"},
        ],
        graft_count=[
            {"session_key": "s", **count(365, 30)},
            {"session_key": "s", **count(365, 50, 50, area_label="B")},
            {"session_key": "s2", **count(965, 20, 30)},
            {"session_key": "t", **count(365, 36)},
        ],
    )
    raw, capped = graft_survival(empty)
    expected = clustered_ratio(RatioSums(2, 136, 160, 100**2 + 36**2, 100 * 120 + 36 * 40, 120**2 + 40**2))
    assert (raw.estimate, raw.lower, raw.upper) == (136 / 160, expected.lower, expected.upper)
    assert (raw.n, raw.n_clusters, raw.at_risk, raw.events, raw.method) == (4, 2, 160, None, "clustered_ratio")
    assert capped.events == 0


def test_capping_says_how_many_areas_it_concerns(empty: Registry) -> None:
    counts = [count(365, 44), count(365, 20, area_label="B")]
    assert figure(empty, counts).estimate == pytest.approx(64 / 80)
    capped = figure(empty, counts, measure="graft_survival_capped")
    assert (capped.estimate, capped.events) == (pytest.approx(60 / 80), 1)


def test_an_area_without_growing_grafts_adds_nothing_to_either(empty: Registry) -> None:
    counts = [count(365, 30), count(365, None, area_label="B")]
    for measure in ("graft_survival", "graft_survival_capped"):
        found = figure(empty, counts, measure=measure)
        assert (found.estimate, found.n, found.at_risk) == (pytest.approx(30 / 40), 1, 40)


def hairs(placed: int | None, seen: int | None, before: int | None, **fields: Any) -> Row:
    return count(365, 36, placed_hairs=placed, growing_hairs=seen, existing_hairs_before=before, **fields)


def test_hairs_that_stood_there_before_are_subtracted(empty: Registry) -> None:
    """60 - 10 of 100 and 55 - 0 of 50: the second is kept, and capped at 50."""
    counts = [hairs(100, 60, 10), hairs(50, 55, 0, area_label="B")]
    found = figure(empty, counts, measure="hair_survival", by_hairs=True)
    assert (found.estimate, found.at_risk, found.n) == (pytest.approx(105 / 150), 150, 2)
    capped = figure(empty, counts, measure="hair_survival_capped", by_hairs=True)
    assert (capped.estimate, capped.events) == (pytest.approx(100 / 150), 1)


@pytest.mark.parametrize("missing", [(None, 60, 10), (100, None, 10), (100, 60, None)])
def test_an_area_without_all_three_numbers_of_hairs_is_not_told(empty: Registry, missing: tuple[Any, ...]) -> None:
    found = figure(empty, [hairs(*missing)], measure="hair_survival", by_hairs=True)
    assert (found.n, found.estimate, dict(found.not_counted)) == (0, None, {"item_empty": 1})


def test_fewer_hairs_than_before_give_no_share(empty: Registry) -> None:
    found = figure(empty, [hairs(100, 20, 30)], measure="hair_survival", by_hairs=True)
    assert (found.estimate, found.n, found.flags) == (None, 1, ("too_few", "alert"))


def test_more_growing_than_placed_is_told_and_flagged(empty: Registry) -> None:
    """By hand: 44 of 40 with no existing hairs recorded; capped it is 40 of 40, and nothing to flag."""
    above = figure(empty, [count(365, 44)])
    assert (above.estimate, "alert" in above.flags) == (1.1, True)
    capped = figure(empty, [count(365, 44)], measure="graft_survival_capped")
    assert (capped.estimate, capped.events, "alert" in capped.flags) == (1.0, 1, False)


def test_the_window_of_the_settings(empty: Registry) -> None:
    """By hand: the settings say which counts are mature; a window given for one call comes before them."""
    other = replace(empty, settings=replace(empty.settings, mature_window=(182, 304)))
    assert figure(other, [count(200, 36)]).n == 1
    assert figure(other, [count(365, 36)]).n == 0
    assert figure(other, [count(365, 36)], window=(304, 547)).n == 1


def test_another_window(empty: Registry) -> None:
    assert figure(empty, [count(200, 36)], window=(182, 304)).n == 1
    assert figure(empty, [count(365, 36)], window=(182, 304)).n == 0
    for window in ((59, 547), (400, 399)):
        with pytest.raises(GraftledgerError, match=r"month 2|before it begins"):
            graft_survival(empty, window=window)
