"""The truth: computed by hand on three patients, and sane on many."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synthetic_data import MODEL, Simulated, Truth, model_truth
from synthetic_data._draw import NEVER
from synthetic_data._latent import Latent, draw_latent
from synthetic_data.truth import AT_YEARS, realised_truth

YEAR = 365


@pytest.fixture(scope="module")
def expected() -> Truth:
    return model_truth(patients=60_000, seed=21)


@pytest.fixture
def three() -> Latent:
    """Three patients with one session each, set by hand: the first was operated on elsewhere before."""
    drawn = draw_latent(40, 1, MODEL)
    keep = np.nonzero(drawn.sessions.step == 0)[0][:3]
    sessions = replace(
        drawn.sessions,
        **{
            name: getattr(drawn.sessions, name)[keep]
            for name in ("step", "site", "surgeon", "technique", "grafts", "area_cm2", "out_of_body")
        },
        patient=np.arange(3),
        number=np.array([2, 1, 1]),
        day=np.array([15_000, 15_000, 15_000]),
        next_here=np.array([15_000 + YEAR, 15_000 + 2 * YEAR, NEVER]),
        elsewhere=np.array([NEVER, 15_000 + YEAR, 15_000 + 3 * YEAR]),
        end=np.array([20_000, 20_000, 20_000]),
    )
    patients = replace(
        drawn.patients,
        **{name: getattr(drawn.patients, name)[:3] for name in drawn.patients.__dataclass_fields__},
    )
    patients = replace(patients, elsewhere_before=np.array([1, 0, 0]), died=np.array([NEVER, 15_000 + YEAR, NEVER]))
    course = replace(
        drawn.course,
        **{
            name: getattr(drawn.course, name)[keep]
            for name in drawn.course.__dataclass_fields__
            if isinstance(getattr(drawn.course, name), np.ndarray)
        },
    )
    course = replace(
        course,
        swelling_grade=np.array([3, 2, 0]),
        swelling=replace(course.swelling, onset=np.array([2, 1, NEVER]), end=np.array([6, 4, NEVER])),
        bruised=replace(course.bruised, onset=np.array([8, 3, NEVER]), end=np.array([12, 9, NEVER])),
        folliculitis=replace(course.folliculitis, onset=np.array([60, 61, 20]), end=np.array([70, 70, 30])),
        infection=replace(course.infection, onset=np.full(3, NEVER), end=np.full(3, NEVER)),
        numb_donor=np.array([0, 182, 183]),
        numb_recipient=np.array([NEVER, 100, 10]),
    )
    areas = replace(
        drawn.areas,
        session=np.array([0, 2]),
        label=np.array([0, 0]),
        choice=np.array([0, 0]),
        zone=np.full(2, ["beard", "eyebrow", "frontal", "hairline", "mid_scalp"].index("frontal")),
        area_cm2=np.array([1.0, 2.0]),
        placed=np.array([10, 30]),
        growing=np.array([9, 21]),
    )
    return replace(drawn, patients=patients, sessions=sessions, course=course, areas=areas)


def test_truth_by_hand(three: Latent) -> None:
    """By hand. Next sessions count the two patients first operated on here; the second dies after one year."""
    truth = realised_truth(three)
    assert truth.find("next_session_here", at=365).estimate == 0.0
    assert truth.find("next_session_here", at=730).estimate == 0.5
    assert truth.find("next_session_here_death_competing", at=730).estimate == 0.0
    assert truth.find("next_session_anywhere", at=365).estimate == 0.5
    assert truth.find("next_session_anywhere_death_competing", at=365).estimate == 0.5
    assert truth.find("next_session_anywhere", at=1095).estimate == 1.0
    assert truth.find("next_session_anywhere", at=1095).n == 2
    third = pytest.approx(1 / 3)
    assert truth.find("severe_swelling").estimate == third
    assert truth.find("bruised_eyes").estimate == third
    assert truth.find("folliculitis").estimate == pytest.approx(2 / 3)
    assert truth.find("infection").estimate == 0.0
    assert truth.find("numbness_donor", at=182).estimate == third
    assert truth.find("numbness_recipient", at=182).estimate == third
    assert truth.find("numbness", at=182).estimate == pytest.approx(2 / 3)
    assert truth.find("numbness", at=365).estimate == third
    assert truth.find("numbness_donor_median_days").estimate == 182
    assert truth.find("graft_survival").estimate == 30 / 40


def test_sessions_not_yet_due_are_left_out(three: Latent) -> None:
    early_end = replace(three, sessions=replace(three.sessions, end=np.array([15_013, 15_014, 20_000])))
    truth = realised_truth(early_end)
    assert truth.find("severe_swelling").n == 2
    assert truth.find("folliculitis").n == 1


def test_next_sessions_rise_with_time_and_are_more_anywhere(expected: Truth) -> None:
    for group in ({}, {"age_band": "under 25"}, {"technique": "strip"}, {"surgeon_code": "S05"}):
        before = 0.0
        for at in (years * 36525 // 100 for years in AT_YEARS):
            here = expected.find("next_session_here", at=at, **group)
            anywhere = expected.find("next_session_anywhere", at=at, **group)
            competing = expected.find("next_session_here_death_competing", at=at, **group)
            assert competing.estimate <= here.estimate <= anywhere.estimate
            assert before <= here.estimate
            before = here.estimate


def test_what_the_model_aims_at(expected: Truth) -> None:
    """Common practice, no source: about 1 in 200 bruised eyes; all other ranges are the model's own intention."""
    assert 0.25 < expected.find("next_session_anywhere", at=1826).estimate < 0.35
    assert 0.38 < expected.find("next_session_anywhere", at=3652).estimate < 0.48
    young = expected.find("next_session_here", at=3652, age_band="under 25").estimate
    old = expected.find("next_session_here", at=3652, age_band="55+").estimate
    assert young > old + 0.1
    assert 0.004 < expected.find("bruised_eyes").estimate < 0.0065
    assert 0.05 < expected.find("folliculitis").estimate < 0.10
    assert 0.003 < expected.find("infection").estimate < 0.01
    assert 0.90 < expected.find("graft_survival").estimate < 0.94
    strip = expected.find("numbness_donor", at=365, technique="strip").estimate
    assert strip > expected.find("numbness_donor", at=365, technique="follicular_unit_excision").estimate + 0.03
    assert expected.find("numbness", at=365).estimate >= expected.find("numbness_donor", at=365).estimate


def test_surgeons_differ_as_stated(expected: Truth) -> None:
    """S08 has the lowest stated complication log odds and the best growth, S05 the highest and the worst."""
    worst, best = ({"surgeon_code": "S05"}, {"surgeon_code": "S08"})
    assert expected.find("folliculitis", **worst).estimate > 1.5 * expected.find("folliculitis", **best).estimate
    assert expected.find("graft_survival", **worst).estimate < expected.find("graft_survival", **best).estimate - 0.02


def test_realised_truth_scatters_about_the_expected(simulated: Simulated, expected: Truth) -> None:
    """Within five standard errors, scaled from the large population to the small."""
    compared = 0
    for quantity in simulated.truth.quantities:
        if quantity.group or quantity.measure.endswith("_days"):
            continue
        model = expected.find(quantity.measure, at=quantity.at)
        assert model.standard_error is not None
        error = model.standard_error * np.sqrt(model.n / quantity.n + 1.0)
        assert abs(quantity.estimate - model.estimate) < 5.0 * error + 1e-12, quantity
        compared += 1
    assert compared == 31


def test_the_monte_carlo_error_is_honest() -> None:
    """Thirty independent populations scatter as their stated errors say (regression only: seeds are fixed)."""
    values = [model_truth(patients=1500, seed=seed).find("severe_swelling") for seed in range(30)]
    scatter = np.std([value.estimate for value in values], ddof=1)
    stated = np.mean([value.standard_error or 0.0 for value in values])
    assert 0.7 < scatter / stated < 1.4


def test_the_two_kinds_are_labelled(simulated: Simulated, expected: Truth) -> None:
    assert {quantity.kind for quantity in simulated.truth.quantities} == {"realised"}
    assert {quantity.kind for quantity in expected.quantities} == {"model"}
    assert all(quantity.standard_error is None for quantity in simulated.truth.quantities)


def test_an_unknown_quantity_is_named(simulated: Simulated) -> None:
    with pytest.raises(KeyError, match="no true value of baldness"):
        simulated.truth.find("baldness")
