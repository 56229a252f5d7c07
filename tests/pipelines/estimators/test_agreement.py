"""Agreement of readings: the published examples, and corners."""

import math

import numpy as np
import pytest

from pipelines.estimators import CountsError, intraclass_correlation, limits_of_agreement
from pipelines.estimators.agreement import Form

# Recalled: Bland & Altman 1986, table 1: peak flow of 17 people, l/min, by a large and a mini meter, twice each.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
LARGE_AGAIN = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_AGAIN = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]

# Recalled: Shrout & Fleiss 1979, table 2: four judges rate six targets.
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def test_bland_altman_1986_two_meters() -> None:
    """Recalled: mean -2.1, SD 38.8, limits -79.7 and 75.5, made with 2 SD; intervals -22.0 to 17.8, -114.3 to -45.1
    and 40.9 to 110.1, which they made from rounded numbers."""
    found = limits_of_agreement(LARGE, MINI, wide=2)
    assert (found.bias.estimate, found.spread) == (pytest.approx(-2.1, abs=0.05), pytest.approx(38.8, abs=0.05))
    assert (found.low.estimate, found.high.estimate) == (pytest.approx(-79.7, abs=0.1), pytest.approx(75.5, abs=0.1))
    assert (found.bias.lower, found.bias.upper) == (pytest.approx(-22.0, abs=0.1), pytest.approx(17.8, abs=0.1))
    assert (found.low.lower, found.low.upper) == (pytest.approx(-114.3, abs=0.2), pytest.approx(-45.1, abs=0.2))
    assert (found.high.lower, found.high.upper) == (pytest.approx(40.9, abs=0.2), pytest.approx(110.1, abs=0.2))


def test_the_recalled_readings_are_the_published_ones() -> None:
    """Recalled: twice the SD of a difference of repeats, taken about 0, is 43.2 and 56.4 in the paper."""
    for first, second, published in ((LARGE, LARGE_AGAIN, 43.2), (MINI, MINI_AGAIN, 56.4)):
        apart = np.subtract(first, second)
        assert 2 * math.sqrt((apart**2).mean()) == pytest.approx(published, abs=0.11)


@pytest.mark.parametrize(
    ("form", "estimate", "lower", "upper"),
    [("1,1", 0.17, -0.13, 0.72), ("2,1", 0.29, 0.02, 0.76), ("3,1", 0.71, 0.34, 0.95)],
)
def test_shrout_fleiss_1979_judges(form: Form, estimate: float, lower: float, upper: float) -> None:
    """Estimates and limits as published, recalled."""
    found = intraclass_correlation(JUDGES, form)
    assert [found.estimate, found.lower, found.upper] == pytest.approx([estimate, lower, upper], abs=0.005)


def test_a_reader_who_leans_costs_absolute_agreement_alone() -> None:
    """By hand: the second reader always counts 5 more; consistency is 1, absolute agreement is not."""
    table = [[10, 15], [20, 25], [30, 35], [40, 45]]
    assert intraclass_correlation(table, "3,1").estimate == 1.0
    assert intraclass_correlation(table, "2,1").estimate < 0.95
    assert limits_of_agreement(*np.transpose(table)).bias.estimate == -5


def test_limits_hold_nineteen_of_twenty_differences() -> None:
    """Known truth: normal errors of SD 3 in both readings, so differences of SD 4.243, and limits at -/+ 8.32."""
    rng = np.random.default_rng(20261128)
    true = rng.normal(90, 20, 4000)
    found = limits_of_agreement(true + rng.normal(0, 3, 4000), true + rng.normal(0, 3, 4000))
    assert found.high.lower is not None
    assert found.high.upper is not None
    assert found.high.lower <= 1.959964 * 3 * math.sqrt(2) <= found.high.upper


@pytest.mark.parametrize("table", [[[1, 2]], [[1], [2]], [[3, 3], [3, 3]], [[1, 2], [3, float("nan")]]])
def test_tables_that_tell_nothing(table: list[list[float]]) -> None:
    with pytest.raises(CountsError):
        intraclass_correlation(table, "1,1")


def test_one_pair_is_no_agreement() -> None:
    with pytest.raises(CountsError, match="two pairs"):
        limits_of_agreement([1], [2])
