"""Donor use by session number. Expected values are *by hand*."""

import pytest

from pipelines import Figure
from pipelines.graft_yield import donor_use
from registry.store import Registry
from tests.pipelines.graft_yield.records import fill, found
from tests.small_registry import Row, on


def session(number: int, placed: int | None, taken: int | None, whose: str = "p", **fields: object) -> Row:
    return {
        "session_key": f"{whose}{number}",
        "patient_key": whose,
        "session_number": number,
        "performed_on": on(400 * number),
        "grafts_total": placed,
        "grafts_harvested": taken,
        **fields,
    }


def figures_of(registry: Registry, *sessions: Row, density: float | None = 80) -> tuple[Figure, ...]:
    patients = sorted({str(row["patient_key"]) for row in sessions})
    fill(
        registry,
        patient=[{"patient_key": key, "donor_density_fu_cm2": density} for key in patients],
        session=list(sessions),
    )
    return donor_use(registry)


def test_sums_run_over_a_patients_sessions(empty: Registry) -> None:
    figures = figures_of(
        empty,
        session(1, 2000, 2100, grafts_transected=63, grafts_discarded=21),
        session(2, 1000, 1100, grafts_transected=11),
        session(1, 3000, 3000, "q", grafts_transected=0),
    )
    assert found(figures, "grafts_placed_so_far", session="1").estimate == 2500
    assert found(figures, "grafts_placed_so_far", session="2").estimate == 3000
    assert found(figures, "grafts_taken_so_far", session="2").estimate == 3200
    assert found(figures, "donor_area_equivalent_so_far", session="2").estimate == pytest.approx(40)
    transected = found(figures, "grafts_transected_of_taken", session="1")
    assert (transected.events, transected.at_risk) == (63, 5100)
    assert transected.estimate == pytest.approx(63 / 5100)
    assert dict(found(figures, "grafts_discarded_of_taken", session="2").not_counted) == {"item_empty": 1}


@pytest.mark.parametrize(
    "first",
    [
        session(1, 2000, None),
        session(1, None, None, surgeon_code="elsewhere", learned_on=on(401)),
    ],
)
def test_a_session_that_does_not_say_leaves_the_sum_unknown(empty: Registry, first: Row) -> None:
    figure = found(figures_of(empty, first, session(2, 1000, 1100)), "grafts_taken_so_far", session="2")
    assert (figure.n, figure.estimate, dict(figure.not_counted)) == (0, None, {"item_empty": 1})


def test_a_skipped_session_leaves_the_sum_unknown(empty: Registry) -> None:
    assert found(figures_of(empty, session(2, 1000, 1100)), "grafts_placed_so_far", session="2").n == 0


def test_hairs_per_graft(empty: Registry) -> None:
    sizes = {"grafts_1_hair": 100, "grafts_2_hair": 200, "grafts_3_hair": 100, "grafts_4_hair": 0}
    figures = figures_of(empty, session(1, 400, 400, **sizes), session(1, 400, 400, "q"))
    figure = found(figures, "hairs_per_graft", session="1")
    assert (figure.n, figure.estimate) == (1, pytest.approx(2.0))


def test_fourth_and_later_sessions_stand_together(empty: Registry) -> None:
    figures = figures_of(empty, *(session(number, 1000, 1000) for number in range(1, 6)), density=None)
    figure = found(figures, "grafts_placed_so_far", session="4 or later")
    assert (figure.n, figure.n_clusters, figure.estimate) == (2, 1, 9000 / 2)
