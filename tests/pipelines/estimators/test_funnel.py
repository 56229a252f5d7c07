"""Funnel limits against scipy's laws and the published rule, positions, and how often chance alone is flagged."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, norm, poisson

from pipelines.estimators import CountsError
from pipelines.estimators.funnel import (
    position_of_ratio,
    position_of_share,
    ratio_limits,
    ratio_limits_of_risks,
    share_limits,
)
from pipelines.estimators.over_dispersion import FEWEST_UNITS, OverDispersion, over_dispersion

SHARES = [(0.02, 10), (0.02, 150), (0.1, 40), (0.3, 90), (0.55, 33), (0.9, 400)]


@pytest.mark.parametrize(("target", "n"), SHARES)
@pytest.mark.parametrize("level", [0.95, 0.998])
def test_interpolated_limits_as_the_paper_writes_them(target: float, n: int, level: float) -> None:
    """Published, recalled: Spiegelhalter 2005, appendix: with r the smallest count at which the binomial's cumulative
    chance reaches p, the limit is (r - a) / n, a = (F(r) - p) / (F(r) - F(r - 1)). F by scipy, other software."""
    expected = []
    for p in ((1 - level) / 2, (1 + level) / 2):
        r = next(r for r in range(n + 1) if binom.cdf(r, n, target) >= p)
        a = (binom.cdf(r, n, target) - p) / (binom.cdf(r, n, target) - binom.cdf(r - 1, n, target))
        expected.append(min(1.0, max(0.0, (r - a) / n)))
    lower, upper = share_limits(target, [n], level, rule="interpolated")
    assert [lower[0], upper[0]] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("target", "n"), SHARES)
@pytest.mark.parametrize("level", [0.95, 0.998])
def test_a_count_is_beyond_exactly_where_its_tail_is_smaller(target: float, n: int, level: float) -> None:
    """By scipy's chances: of every count there can be, those beyond are those with a tail below (1 - level) / 2."""
    lower, upper = share_limits(target, [n], level)
    tail = (1 - level) / 2
    for count in range(n + 1):
        assert (count / n > upper[0] + 1e-12) == (binom.sf(count - 1, n, target) < tail)
        assert (count / n < lower[0] - 1e-12) == (binom.cdf(count, n, target) < tail)


@pytest.mark.parametrize(
    ("low", "high", "below", "above"),
    [
        (1, 50, (0.0186, 0.0, 0.0250), (0.0201, 0.0052, 0.0250)),
        (50, 100, (0.0215, 0.0172, 0.0250), None),
        (100, 500, (0.0233, 0.0194, 0.0250), None),
    ],
)
def test_chances_beyond_the_limits_of_seaton_and_manktelow(
    low: int, high: int, below: tuple[float, ...], above: tuple[float, ...] | None
) -> None:
    """Published: Seaton & Manktelow 2012, BMC Med Res Methodol 12:98, table of the prediction limits: median, least and
    greatest chance of a provider in control below and above the 95 % limits, by expected events; four digits. The paper
    steps through expected events; hundredths give its numbers (tenths do not reach its extremes)."""
    expected = np.arange(low * 100, high * 100 + 1) / 100
    lower, upper = ratio_limits(expected.tolist(), 0.95)
    under = poisson.cdf(np.ceil(np.asarray(lower) * expected - 1e-9) - 1, expected)
    over = poisson.sf(np.floor(np.asarray(upper) * expected + 1e-9), expected)
    for chances, printed in ((under, below), (over, above)):
        if printed:
            found = (np.median(chances), chances.min(), chances.max())
            assert found == pytest.approx(printed, abs=5.1e-5)


@pytest.mark.parametrize("expected", [0.3, 2.0, 11.5, 80.0])
@pytest.mark.parametrize("level", [0.95, 0.998])
def test_ratios_likewise(expected: float, level: float) -> None:
    lower, upper = ratio_limits([expected], level)
    tail = (1 - level) / 2
    for count in range(int(expected + 8 * math.sqrt(expected) + 10)):
        assert (count / expected > upper[0] + 1e-12) == (poisson.sf(count - 1, expected) < tail)
        assert (count / expected < lower[0] - 1e-12) == (poisson.cdf(count, expected) < tail)


def test_limits_of_many_cases_are_the_normal_ones() -> None:
    """By hand: target +- 1.96 and 3.09 standard errors, as the paper draws them without exact limits."""
    for level in (0.95, 0.998):
        z = norm.ppf(0.5 + level / 2)
        reach = z * math.sqrt(0.3 * 0.7 / 1e6)
        lower, upper = share_limits(0.3, [1_000_000], level)
        assert [lower[0], upper[0]] == pytest.approx([0.3 - reach, 0.3 + reach], abs=2e-6)


def test_limits_of_equal_risks_are_the_binomial_ones() -> None:
    """By hand: the law of the very cases, all of one risk, is the binomial."""
    lower, upper = share_limits(0.2, [60], 0.998)
    found = ratio_limits_of_risks([0.2] * 60, 0.998)
    assert found == pytest.approx((lower[0] / 0.2, upper[0] / 0.2))


def test_unequal_risks_leave_less_to_chance() -> None:
    risks = [0.05, 0.95] * 30
    low, high = ratio_limits_of_risks(risks, 0.95)
    (wide_low,), (wide_high,) = ratio_limits([30.0], 0.95)
    assert wide_low < low < 1 < high < wide_high


@given(st.floats(0.01, 0.99), st.integers(1, 2000))
def test_limits_hold_the_target_and_lie_within_each_other(target: float, n: int) -> None:
    (low, high), (far_low, far_high) = share_limits(target, [n], 0.95), share_limits(target, [n], 0.998)
    assert 0 <= far_low[0] <= low[0] <= target <= high[0] <= far_high[0] <= 1


@given(st.floats(0.05, 0.95), st.integers(5, 500), st.sampled_from([0.95, 0.998]))
def test_limits_close_in_with_cases(target: float, n: int, level: float) -> None:
    """Counts are whole, so limits fall in steps: four times the cases are closer, one more case need not be."""
    lower, upper = share_limits(target, [n, 4 * n], level)
    assert lower[1] >= lower[0] - 1e-12
    assert upper[1] <= upper[0] + 1e-12


@settings(max_examples=40)
@given(st.integers(1, 200), st.data(), st.floats(0.02, 0.98), st.sampled_from(["high", "low"]), st.floats(0.0, 0.004))
def test_flag_p_and_limits_say_the_same(n: int, data: st.DataObject, target: float, side: str, tau2: float) -> None:
    events = data.draw(st.integers(0, n))
    dispersion = OverDispersion(1.0, None, tau2, "additive", 9, told=True)
    found = position_of_share(events, n, target, side, dispersion)  # type: ignore[arg-type]
    low, high = found.alert_limits
    far_low, far_high = found.priority_limits
    beyond = found.value > high + 1e-9 if side == "high" else found.value < low - 1e-9
    far = found.value > far_high + 1e-9 if side == "high" else found.value < far_low - 1e-9
    assert found.flag == ("priority_review" if far else "alert" if beyond else "")
    if found.flag:
        assert found.p < (0.001 if far else 0.025) + 1e-9
    if found.p < 0.025 - 1e-9 and (low if side == "low" else 1 - high) > 0:
        assert found.flag


def test_only_the_unfavourable_side_is_flagged() -> None:
    """By hand: 30 of 100 at a target of 10 % is beyond all limits; 0 of 100 is beyond the lower ones."""
    assert position_of_share(30, 100, 0.1, "high").flag == "priority_review"
    assert position_of_share(17, 100, 0.1, "high").flag == "alert"
    found = position_of_share(30, 100, 0.1, "low")
    assert (found.flag, found.beyond_favourable) == ("", True)
    assert position_of_share(0, 100, 0.1, "low").flag == "priority_review"
    found = position_of_share(0, 100, 0.1, "high")
    assert (found.flag, found.beyond_favourable) == ("", True)
    assert position_of_ratio(20, 8.0, "high").flag == "priority_review"
    assert position_of_ratio(20, 8.0, "low").flag == ""


def test_z_and_p_by_hand() -> None:
    """By hand: (0.17 - 0.1) / 0.03; p is the binomial's chance of 17 or more."""
    found = position_of_share(17, 100, 0.1, "high")
    assert found.z == pytest.approx(7 / 3)
    assert found.p == pytest.approx(binom.sf(16, 100, 0.1))
    risks = [0.1] * 100
    by_risks = position_of_ratio(17, 10.0, "high", risks=risks)
    assert by_risks.p == pytest.approx(found.p)
    assert by_risks.z == pytest.approx(found.z)
    assert position_of_ratio(17, 10.0, "high").p == pytest.approx(poisson.sf(16, 10.0))


def test_a_few_cases_cannot_be_flagged_where_chance_would_do() -> None:
    """By hand: 2 of 10 at 2 % has a chance of 1.6 %: an alert, no priority review; the published rule would say so."""
    assert binom.sf(1, 10, 0.02) == pytest.approx(0.0162, abs=1e-4)
    assert position_of_share(2, 10, 0.02, "high").flag == "alert"
    _, upper = share_limits(0.02, [10], 0.998, rule="interpolated")
    assert upper[0] < 0.2
    # one case: with a target of 10 % the event alone is no signal
    assert position_of_share(1, 1, 0.1, "high").flag == ""


def test_over_dispersion_by_hand() -> None:
    """By hand, nothing pulled in: z = -2, -1, 0, 1, 2, so phi = 2; equal weights 1: tau2 = (10 - 4) / (5 - 1) = 1.5."""
    found = over_dispersion([-2.0, -1.0, 0.0, 1.0, 2.0], 0.0, [1.0] * 5, winsorised=0.0)
    assert (found.phi, found.phi_as_published, found.tau2) == (2.0, 2.0, 1.5)
    assert found.widening(1.0) == pytest.approx(math.sqrt(2.5))
    assert over_dispersion([-2.0, -1.0, 0.0, 1.0, 2.0], 0.0, [1.0] * 5, "multiplicative", 0.0).widening(
        0.3
    ) == pytest.approx(math.sqrt(2))


def test_additive_form_is_dersimonian_and_laird() -> None:
    """By another computation: with nothing pulled in, and the target at the weighted mean, tau2 is that of DerSimonian
    & Laird 1986, (Q - (k - 1)) / (sum w - sum w**2 / sum w)."""
    value, error = np.array([0.1, 0.3, 0.35, 0.65, 0.45, 0.15]), np.array([0.03, 0.03, 0.05, 0.01, 0.05, 0.02])
    w = error**-2
    mean = (w * value).sum() / w.sum()
    q = (w * (value - mean) ** 2).sum()
    expected = (q - 5) / (w.sum() - (w**2).sum() / w.sum())
    assert over_dispersion(value, mean, error, winsorised=0.0).tau2 == pytest.approx(expected)


def test_winsorising_keeps_one_surgeon_from_widening_all_limits() -> None:
    """By hand: 19 scores within +-1 and one of 20; pulled in, it counts as the quantile, so phi stays near chance."""
    scores = [*np.linspace(-1.5, 1.5, 19), 20.0]
    assert over_dispersion(scores, 0.0, [1.0] * 20).phi < 1.5
    assert over_dispersion(scores, 0.0, [1.0] * 20, winsorised=0.0).phi > 20


def test_what_chance_leaves_after_winsorising() -> None:
    """By simulation, seeded: among normal scores phi is 1 on average, and 0.68 as published."""
    random = np.random.default_rng(1)
    found = over_dispersion(random.normal(size=200_000), 0.0, np.ones(200_000))
    assert found.phi_as_published == pytest.approx(0.679, abs=0.005)
    assert found.phi == pytest.approx(1.0, abs=0.008)


def test_few_surgeons_tell_no_spread() -> None:
    found = over_dispersion([0.1, 0.9], 0.5, [0.01, 0.01])
    assert not found.told
    assert (found.phi, found.tau2, found.widening(0.01)) == (1.0, 0.0, 1.0)
    assert over_dispersion([0.1] * FEWEST_UNITS, 0.5, [0.01] * FEWEST_UNITS).told
    alike = over_dispersion([0.5] * 8, 0.5, [0.1] * 8)
    assert (alike.phi, alike.tau2) == (1.0, 0.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: share_limits(0.0, [10], 0.95), "target"),
        (lambda: share_limits(1.0, [10], 0.95), "target"),
        (lambda: share_limits(0.1, [0], 0.95), "one case"),
        (lambda: share_limits(0.1, [], 0.95), "one case"),
        (lambda: share_limits(0.1, [10], 0.95, widening=0.5), "at least 1"),
        (lambda: share_limits(0.1, [10], 95), "level"),
        (lambda: ratio_limits([0.0], 0.95), "above 0"),
        (lambda: ratio_limits_of_risks([0.0, 1.0], 0.95), "left to chance"),
        (lambda: position_of_share(0, 0, 0.1, "high"), "at least one case"),
        (lambda: position_of_share(3, 2, 0.1, "high"), "from 0 to the cases"),
        (lambda: position_of_share(0, 5, 0.0, "high"), "target"),
        (lambda: position_of_ratio(1, 0.0, "high"), "above 0"),
        (lambda: position_of_ratio(1, 3.0, "high", risks=[0.5, 0.5]), "add up"),
        (lambda: position_of_ratio(3, 1.0, "high", risks=[0.5, 0.5]), "more events than cases"),
        (lambda: over_dispersion([0.1] * 6, 0.1, [0.0] * 6), "above 0"),
        (lambda: over_dispersion([0.1] * 6, 0.1, [0.1] * 5), "same length"),
        (lambda: over_dispersion([math.nan] * 6, 0.1, [0.1] * 6), "above 0"),
        (lambda: over_dispersion([0.1] * 6, 0.1, [0.1] * 6, winsorised=0.5), "winsorised"),
    ],
)
def test_bad_input_is_named(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


def test_counts_errors() -> None:
    with pytest.raises(CountsError):
        share_limits(0.0, [10], 0.95)


def test_chance_alone_is_flagged_no_more_often_than_stated() -> None:
    """By scipy's chances, no simulation: over 4 targets and 15 to 1000 cases at most 0.2 % beyond the 99.8 % limits,
    and not far fewer where there are many cases; the interpolated rule flags more than stated where there are few."""
    cases = np.arange(15, 1000, 7)
    beyond = {rule: [_chance_beyond(t, cases, rule) for t in (0.02, 0.08, 0.25, 0.6)] for rule in ("exact", "paper")}
    assert max(chance.max() for chance in beyond["exact"]) <= 0.002
    assert beyond["exact"][2][-40:].mean() > 0.0015
    assert beyond["paper"][0][:20].max() > 0.004


def _chance_beyond(target: float, cases: np.ndarray, rule: str) -> np.ndarray:
    lower, upper = share_limits(target, cases, 0.998, rule="exact" if rule == "exact" else "interpolated")
    highest, lowest = np.floor(upper * cases + 1e-9), np.ceil(lower * cases - 1e-9)
    return np.asarray(binom.sf(highest, cases, target) + binom.cdf(lowest - 1, cases, target))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spread", "adjusted", "least", "most"),
    [(0.0, False, 0.0008, 0.0022), (0.0, True, 0.0002, 0.002), (0.06, True, 0.001, 0.0032), (0.06, False, 0.15, 0.25)],
)
def test_surgeons_no_different_from_their_peers(spread: float, adjusted: bool, least: float, most: float) -> None:
    """Simulation, seeded: 500 registries of 40 surgeons with 60 to 300 cases, target 15 %, true shares normal with this
    spread for reasons nobody measured. About 0.2 % lie beyond the 99.8 % limits once these allow for it (measured 0.17
    %); without, a fifth would (measured 19 %)."""
    random = np.random.default_rng(11)
    target, beyond = 0.15, 0
    for _ in range(500):
        cases = random.integers(60, 300, 40)
        value = random.binomial(cases, np.clip(random.normal(target, spread, 40), 0.001, 0.999)) / cases
        error = np.sqrt(target * (1 - target) / cases)
        dispersion = over_dispersion(value, target, error)
        wide = np.array([dispersion.widening(one) for one in error]) if adjusted else 1.0
        lower, upper = share_limits(target, cases, 0.998, widening=wide)
        beyond += int(((value < lower - 1e-12) | (value > upper + 1e-12)).sum())
    assert least <= beyond / 20_000 <= most
