"""Growth by month. Expected values are *by hand*."""

import pytest

from pipelines.graft_yield import growth
from registry.durations import months
from registry.store import Registry
from tests.pipelines.graft_yield.records import count, fill, found, one_area_each

BY_MONTH, CRUDE = "grafts_growing_by_month", "grafts_growing_in_month_crude"


def test_a_fall_before_month_12_is_joined_and_one_after_it_is_not(empty: Registry) -> None:
    counts = [count(months(month), grew) for month, grew in ((3, 8), (6, 28), (8, 24), (12, 36), (15, 34))]
    one_area_each(empty, counts)
    figures = growth(empty)
    monotone = {months_: found(figures, BY_MONTH, months(months_)).estimate for months_ in (3, 6, 8, 12, 15)}
    assert monotone == pytest.approx({3: 8 / 40, 6: 52 / 80, 8: 52 / 80, 12: 36 / 40, 15: 34 / 40})
    assert found(figures, CRUDE, months(6)).estimate == pytest.approx(28 / 40)
    assert len(figures) == 10
    assert found(figures, BY_MONTH, months(6)).n == 1


@pytest.mark.parametrize(("day", "month"), [(60, 2), (76, 2), (77, 3), (547, 18)])
def test_a_count_serves_the_nearest_month(empty: Registry, day: int, month: int) -> None:
    one_area_each(empty, [count(day, 20)])
    assert found(growth(empty), BY_MONTH).at == months(month)


@pytest.mark.parametrize("day", [59, 548])
def test_counts_before_month_2_or_after_month_18_tell_nothing(empty: Registry, day: int) -> None:
    one_area_each(empty, [count(day, 20)])
    figure = found(growth(empty), BY_MONTH)
    assert (figure.n, figure.estimate, figure.flags) == (0, None, ("too_few",))
    assert dict(figure.not_counted) == {"missed_visit": 1}


def test_of_two_counts_in_a_month_the_nearer_one_speaks(empty: Registry) -> None:
    fill(
        empty,
        patient=[{"patient_key": "p"}],
        session=[{"session_key": "s", "patient_key": "p"}],
        graft_count=[{"session_key": "s", **count(170, 10)}, {"session_key": "s", **count(180, 20)}],
    )
    assert found(growth(empty), BY_MONTH).estimate == pytest.approx(20 / 40)
