"""Pairs of readings. Expected values are *by hand*."""

import pytest

from pipelines.graft_yield import count_agreement
from registry.store import Registry
from tests.pipelines.graft_yield.records import count, fill, found
from tests.small_registry import Row

BIAS = "reading_difference_mean"


def readings(registry: Registry, *rows: Row) -> None:
    fill(
        registry,
        patient=[{"patient_key": "p"}],
        session=[{"session_key": "s", "patient_key": "p"}],
        graft_count=[{"session_key": "s", **row} for row in rows],
    )


def twice(label: str, first: int, second: int, *counters: str | None) -> list[Row]:
    by = [*counters, None, None][:2]
    return [
        count(200, grew, area_label=label, repeat_number=number, counter_code=who)
        for number, (grew, who) in enumerate(zip((first, second), by, strict=True), 1)
    ]


def test_pairs_by_who_read(empty: Registry) -> None:
    readings(
        empty,
        *twice("A", 36, 32, "S1", "S1"),
        *twice("B", 20, 24, "S1", "S2"),
        *twice("C", 20, 20, "S1"),
        *twice("D", 24, 36, "S2", "S1"),
        *twice("E", 12, 12, "S2", "S2"),
    )
    figures = count_agreement(empty)
    everybody = found(figures, BIAS, reading="all pairs")
    # differences of 4, -4, 0, -12 and 0 of 40
    assert (everybody.n, everybody.n_clusters) == (5, 1)
    assert everybody.estimate == pytest.approx(-6.0)
    assert found(figures, BIAS, reading="one reader twice").n == 2
    assert found(figures, BIAS, reading="one reader twice").estimate == pytest.approx(5.0)
    assert found(figures, BIAS, reading="two readers").estimate == pytest.approx(-20.0)


def test_a_third_reading_another_day_and_an_unknown_count_make_no_pair(empty: Registry) -> None:
    readings(
        empty,
        *twice("A", 36, 32),
        count(200, 1, area_label="A", repeat_number=3),
        count(200, 36, area_label="B"),
        count(201, 30, area_label="B", repeat_number=2),
        count(200, 36, area_label="C"),
        count(200, None, area_label="C", repeat_number=2, growing_hairs=70),
    )
    figure = found(count_agreement(empty), BIAS, reading="all pairs")
    assert (figure.n, figure.estimate, figure.flags) == (1, None, ("too_few",))


def test_readings_all_the_same_have_no_correlation(empty: Registry) -> None:
    readings(empty, *twice("A", 36, 36), *twice("B", 36, 36))
    figures = count_agreement(empty)
    assert found(figures, BIAS, reading="all pairs").estimate == 0.0
    assert found(figures, "reading_icc_1_1", reading="all pairs").estimate is None
