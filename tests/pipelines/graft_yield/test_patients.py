"""How yields differ between patients. Expected values are *by hand* unless said otherwise."""

import polars as pl
import pytest

from pipelines.estimators import beta_binomial
from pipelines.graft_yield import graft_survival_model
from pipelines.graft_yield.areas import Asked, ratio_figure, ratio_sums
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.pipelines.graft_yield.records import count, fill, found, one_area_each
from tests.small_registry import on

MEAN, SPREAD, BELOW_80, BELOW_90 = (
    "graft_survival_beta_binomial",
    "graft_survival_within_patient_correlation",
    "patients_below_80_percent_yield",
    "patients_below_90_percent_yield",
)


def test_areas_of_a_patient_are_one_cluster(empty: Registry) -> None:
    fill(
        empty,
        patient=[{"patient_key": key} for key in ("p", "q", "r")],
        session=[{"session_key": f"s{key}", "patient_key": key} for key in ("p", "q", "r")],
        graft_count=[
            {"session_key": "sp", **count(365, 20)},
            {"session_key": "sp", **count(365, 30, area_label="B")},
            {"session_key": "sq", **count(365, 38)},
            {"session_key": "sr", **count(365, 40)},
        ],
    )
    figures = graft_survival_model(empty)
    expected = beta_binomial([50, 38, 40], [80, 40, 40], below=[0.8, 0.9])
    for measure, number in zip(
        (MEAN, SPREAD, BELOW_80, BELOW_90), (expected.mean, expected.correlation, *expected.below), strict=True
    ):
        figure = found(figures, measure)
        assert (figure.estimate, figure.lower, figure.upper) == (number.estimate, number.lower, number.upper)
        assert (figure.n, figure.n_clusters, figure.at_risk, figure.flags) == (4, 3, 160, ("too_few",))


def test_counts_above_what_was_placed_are_left_out_and_counted(empty: Registry) -> None:
    one_area_each(empty, [count(365, 44), count(365, 42, existing_hairs_before=3), count(365, 30), count(365, 36)])
    figures = graft_survival_model(empty)
    assert found(figures, MEAN).n == 2
    above = found(figures, "areas_above_placed")
    assert (above.events, above.n, above.estimate) == (2, 4, 0.5)
    unknown = found(figures, "areas_above_placed_existing_hairs_not_recorded")
    assert (unknown.events, unknown.n) == (1, 2)


def test_method_of_counting(empty: Registry) -> None:
    counts = [count(365, 36, method="trichoscopy"), count(365, 30, method="macro_photograph"), count(365, 20)]
    one_area_each(empty, counts)
    figures = graft_survival_model(empty)
    shares = {
        method: found(figures, "graft_survival_by_method", method=method).estimate
        for method in ("trichoscopy", "macro_photograph", "direct")
    }
    assert shares == {"trichoscopy": 36 / 40, "macro_photograph": 30 / 40, "direct": 20 / 40}


def test_hairs_subtract_those_that_stood_there_before(empty: Registry) -> None:
    hairs = {"placed_hairs": 80, "growing_hairs": 82, "existing_hairs_before": 10}
    one_area_each(empty, [count(365, None, **hairs), count(365, None, **{**hairs, "existing_hairs_before": 2})])
    # 72 and 80 of 80
    assert found(graft_survival_model(empty, by_hairs=True), "areas_above_placed").events == 0
    assert found(graft_survival_model(empty, by_hairs=True), MEAN).at_risk == 160


def test_one_patient_is_told_apart_from_none(empty: Registry) -> None:
    one_area_each(empty, [count(365, 36)])
    figure = found(graft_survival_model(empty), MEAN)
    assert (figure.estimate, figure.n, figure.n_clusters, figure.flags) == (None, 1, 1, ("too_few",))


def test_everything_grew(empty: Registry) -> None:
    """One trial a patient: 0.025 ** (1 / 12) below; the shares below a yield cannot be told and are flagged."""
    one_area_each(empty, [count(365, 40)] * 12)
    figures = graft_survival_model(empty)
    assert found(figures, MEAN).estimate == 1.0
    assert found(figures, MEAN).lower == pytest.approx(0.025 ** (1 / 12))
    assert (found(figures, BELOW_80).estimate, found(figures, BELOW_80).flags) == (None, ("alert",))


def test_nobody(empty: Registry) -> None:
    fill(empty)
    assert {figure.estimate for figure in graft_survival_model(empty)} == {None}


def test_a_count_before_month_2_is_no_mature_count(empty: Registry) -> None:
    one_area_each(empty, [count(59, 36)])
    with pytest.raises(GraftledgerError, match="no mature count"):
        graft_survival_model(empty, window=(30, 547))
    with pytest.raises(GraftledgerError, match="ends before it begins"):
        graft_survival_model(empty, window=(547, 304))


def test_another_window(empty: Registry) -> None:
    one_area_each(empty, [count(200, 36), count(200, 30)])
    assert found(graft_survival_model(empty), MEAN).n == 0
    assert found(graft_survival_model(empty, window=(182, 547)), MEAN).n == 2


def test_by_a_field(empty: Registry) -> None:
    one_area_each(empty, [count(365, 36)] * 2, [{"technique": "strip"}, {"technique": "follicular_unit_excision"}])
    figures = graft_survival_model(empty, by=("technique",), as_of=on(600))
    assert found(figures, MEAN, technique="strip").n == 1
    assert found(figures, MEAN, technique="combined").n == 0


def test_sums_of_squares_do_not_run_over(empty: Registry) -> None:
    """*By hand*: 30,000 patients of 300 grafts: the sum of squares is above 2 to the 31st."""
    one_area_each(empty, [count(365, 36)])
    asked = Asked(empty, ())
    areas = asked.table("mature_area")
    many = pl.DataFrame(
        {"patient_key": range(30_000), "growing": [270] * 30_000, "placed": [300] * 30_000},
        schema={"patient_key": pl.Int64, **{name: areas.schema[name] for name in ("growing", "placed")}},
    )
    sums = ratio_sums(many)
    assert sums is not None
    assert (sums.sum_yy, sums.sum_xy, sums.sum_xx) == (30_000 * 270**2, 30_000 * 270 * 300, 30_000 * 300**2)
    assert ratio_figure(many, "one", {}, asked).estimate == 0.9
