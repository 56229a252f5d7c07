"""Control charts against published worked examples (recalled), sums by hand, and simulation."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from scipy.stats import binom, chi2, geom

from pipelines.estimators.control_charts import TAIL, g_chart, p_chart, run_chart, u_chart
from pipelines.estimators.errors import CountsError

# Montgomery, Introduction to Statistical Quality Control: cans of orange juice, 30 samples of 50. Recalled; the sum,
# 347, is that of the book.
CANS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
# The same book: personal computers, 20 samples of 5, 193 nonconformities. Recalled; the sum is that of the book.
COMPUTERS = [10, 12, 8, 14, 10, 16, 11, 7, 10, 15, 9, 5, 7, 11, 12, 6, 8, 10, 7, 5]


def test_p_chart_of_the_cans() -> None:
    """Published (recalled): centre 0.2313; limits 0.0524 and 0.4102; samples 15 and 23 above.

    The book's chart is the plain one. These cans differ by more than chance, so Laney's limits stand here; the plain
    ones are what is left after dividing by sigma_z.
    """
    chart = p_chart(CANS, [50] * 30)
    assert chart.centre == pytest.approx(0.2313, abs=5e-5)
    assert chart.sigma_z is not None
    assert chart.method == "laney_p"
    upper = chart.points[0].upper
    assert upper is not None
    plain = (upper - chart.centre) / chart.sigma_z
    assert chart.centre + plain == pytest.approx(0.4102, abs=5e-5)
    assert chart.centre - plain == pytest.approx(0.0524, abs=5e-5)
    assert [number for number, events in enumerate(CANS, start=1) if events / 50 > chart.centre + plain] == [15, 23]


def test_laney_by_another_computation() -> None:
    """Laney 2002, as numpy has it: sigma_z is the mean moving range of z over 1.128."""
    chart = p_chart(CANS, [50] * 30)
    share = np.array(CANS) / 50
    centre = sum(CANS) / 1500
    sigma = math.sqrt(centre * (1 - centre) / 50)
    z = (share - centre) / sigma
    sigma_z = np.abs(np.diff(z)).mean() / 1.128
    assert chart.sigma_z == pytest.approx(sigma_z)
    assert chart.points[0].upper == pytest.approx(centre + 3 * sigma * sigma_z)
    assert chart.dispersion_p == pytest.approx(chi2.sf((z**2).sum(), 29))
    assert [place for place, point in enumerate(chart.points, start=1) if point.beyond] == []


def test_u_chart_of_the_computers() -> None:
    """Published (recalled): centre 1.93; limits 0.07 and 3.79; no point outside."""
    chart = u_chart(COMPUTERS, [5] * 20)
    assert chart.method == "u_chart"
    assert chart.centre == pytest.approx(1.93)
    assert chart.points[0].upper == pytest.approx(3.79, abs=0.005)
    assert chart.points[0].lower == pytest.approx(0.07, abs=0.005)
    assert not any(point.beyond for point in chart.points)


def test_limits_follow_the_size_of_the_period() -> None:
    """By hand: centre 40 / 400 = 0.1; 3 sqrt(0.09 / 100) = 0.09, and 3 sqrt(0.09 / 300) = 0.05196."""
    chart = p_chart([10, 30], [100, 300])
    assert chart.points[0].upper == pytest.approx(0.19)
    assert chart.points[0].lower == pytest.approx(0.01)
    assert chart.points[1].upper == pytest.approx(0.15196, abs=1e-5)


def test_eight_in_a_row_are_a_shift_and_seven_are_not() -> None:
    """By hand. A point on the centre neither counts nor breaks."""
    sizes = [100] * 16
    above = p_chart([8] * 8 + [12] * 8, sizes)
    assert all(point.shift for point in above.points)
    seven = p_chart([8] * 7 + [12] * 7 + [8, 12], sizes)
    assert not any(point.shift for point in seven.points)
    on_the_centre = p_chart([8] * 4 + [10] + [8] * 4 + [12] * 8, [100] * 17)
    assert on_the_centre.centre == pytest.approx(0.1)
    assert [point.shift for point in on_the_centre.points] == [True] * 4 + [False] + [True] * 12


def test_rare_events_take_limits_of_the_law_itself() -> None:
    """An event in a quarter of 20 is no signal at 1 in 200, though 3 standard deviations would say so."""
    chart = p_chart([0] * 19 + [1] + [0, 1], [20] * 22)
    assert chart.method == "exact_p"
    assert not any(point.beyond or point.shift for point in chart.points)
    centre = 2 / 440
    assert centre + 3 * math.sqrt(centre * (1 - centre) / 20) < 1 / 20
    upper = chart.points[0].upper
    assert upper is not None
    assert binom.sf(upper * 20, 20, centre) <= TAIL


def test_rare_clusters_are_a_signal() -> None:
    chart = p_chart([0] * 19 + [5], [20] * 20)
    assert [point.beyond for point in chart.points] == [False] * 19 + [True]


def test_g_chart_by_the_geometric_law() -> None:
    """By hand: gaps 40, 60, 50, mean 50, chance 1 / 51; as scipy has it, 0.135 % of gaps exceed 333.7."""
    chart = g_chart([40, 60, 50])
    upper = chart.points[0].upper
    assert upper == pytest.approx(math.log(0.00135) / math.log(50 / 51))
    assert upper is not None
    # scipy counts the trial of the event itself, so a gap of k is k + 1 trials
    assert geom.sf(math.ceil(upper) - 1 + 1, 1 / 51) <= TAIL * 1.02
    assert geom.sf(50 + 3 * math.sqrt(50 * 51) + 1, 1 / 51) == pytest.approx(0.018, abs=0.001)
    assert g_chart([2] * 40 + [100]).points[40].beyond
    assert all(point.shift for point in g_chart([9, 8, 9, 8, 9, 8, 9, 8, 1, 2, 1, 2, 1, 2, 1, 2]).points)


def test_run_chart() -> None:
    """Anhoj & Olesen 2014: of 16 points off the median, log2(16) + 3 = 7 in a row are still chance, 8 are not."""
    chart = run_chart([1.0] * 8 + [3.0] * 8)
    assert (chart.centre, chart.run_needed) == (2.0, 8)
    assert all(point.shift and point.upper is None for point in chart.points)
    assert not any(point.shift for point in run_chart([1.0, 3.0] * 8).points)
    assert run_chart([0.0] * 9 + [1.0] * 3).run_needed is None  # most points are on the median


@pytest.mark.parametrize(("events", "sizes"), [([1], [0]), ([], []), ([-1], [5]), ([6], [5])])
def test_refusals(events: list[int], sizes: list[int]) -> None:
    with pytest.raises(CountsError):
        p_chart(events, sizes)


def test_how_often_chance_alone_warns() -> None:
    """Simulated: 24 periods of 100 at 10 %: a point outside about 0.3 %, more (skewed) but below 1 % of points."""
    rng = np.random.default_rng(5)
    outside = [
        sum(point.beyond for point in p_chart(rng.binomial(100, 0.1, 24).tolist(), [100] * 24).points)
        for _ in range(200)
    ]
    expected = 2 * (1 - NormalDist().cdf(3))
    assert expected / 3 < sum(outside) / (24 * 200) < 0.01
    wild = [
        sum(point.beyond for point in p_chart(rng.binomial(2000, rng.beta(10, 90, 24)).tolist(), [2000] * 24).points)
        for _ in range(100)
    ]
    assert sum(wild) / (24 * 100) < 0.02  # overdispersed: Laney's limits keep the peace; plain ones warn in half
