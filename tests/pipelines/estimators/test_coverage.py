"""Do intervals hold a known truth as often as they say? Simulations with fixed seeds, judged by Monte Carlo error.

A coverage from N samples is known to sqrt(0.95 * 0.05 / N). Three of these are allowed on either side, plus what the
docstring of the estimator admits. The truth is the constant the data are drawn with, so nothing is compared to itself.
"""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from pipelines.estimators import (
    RatioSums,
    clustered_ratio,
    cumulative_incidence,
    product_limit,
    risk_table,
    survival_at,
    wilson,
)

pytestmark = pytest.mark.slow
Ints = npt.NDArray[np.int64]


def three_errors(samples: int) -> float:
    """Three Monte Carlo standard errors of a coverage of 95 %."""
    return 3 * math.sqrt(0.95 * 0.05 / samples)


def spells(rng: np.random.Generator, people: int, daily_hazards: list[float]) -> pl.DataFrame:
    """People with competing events at constant hazards, 30 % of whom are seen late and all of whom may be lost.

    Days are rounded up, so that an event by the end of day t happened by time t. Who has the event or is lost before
    being seen is never seen: three times as many are drawn as are kept.
    """
    drawn = 3 * people
    event_on = np.ceil(rng.exponential(1 / sum(daily_hazards), drawn)).astype(np.int64)
    cause = rng.choice(len(daily_hazards), drawn, p=np.array(daily_hazards) / sum(daily_hazards))
    lost_on = np.ceil(rng.uniform(0, 1500, drawn)).astype(np.int64)
    entry = np.where(rng.random(drawn) < 0.3, rng.integers(1, 200, drawn), 0)
    left = np.minimum(event_on, lost_on)
    seen = np.flatnonzero(left > entry)[:people]
    assert seen.size == people
    outcomes: dict[str, Any] = {
        f"events_{k}": ((event_on <= lost_on) & (cause == k))[seen].astype(np.int64) for k in range(len(daily_hazards))
    }
    outcomes["censored"] = 1 - sum(outcomes.values())
    return pl.DataFrame({"entry_day": entry[seen], "exit_day": left[seen], **outcomes})


def test_survival_limits_with_late_entry() -> None:
    """True survival exp(-hazard t): 0.88, 0.60 and 0.38 on days 90, 365 and 700; 150 people."""
    rng, samples, hazard, at_days = np.random.default_rng(20261101), 1000, math.log(1 / 0.6) / 365, [90, 365, 700]
    held = np.zeros(len(at_days))
    for _ in range(samples):
        table = risk_table(spells(rng, 150, [hazard]).rename({"events_0": "events"}))
        for k, estimate in enumerate(survival_at(product_limit(table), at_days)):
            assert estimate.lower is not None
            assert estimate.upper is not None
            held[k] += estimate.lower <= math.exp(-hazard * at_days[k]) <= estimate.upper
    assert held / samples == pytest.approx([0.95] * 3, abs=three_errors(samples))


def test_exact_limits_before_the_first_event_miss_no_more_than_half_of_5_percent() -> None:
    """30 people, late entry, true survival 0.90 at day 40: no event is rare, and then the lower limit must be low."""
    rng, samples, hazard = np.random.default_rng(20261102), 1000, math.log(1 / 0.9) / 40
    exact = missed = 0
    for _ in range(samples):
        table = risk_table(spells(rng, 30, [hazard]).rename({"events_0": "events"}))
        (estimate,) = survival_at(product_limit(table), [40])
        assert estimate.lower is not None
        if estimate.limits_by == "exact_no_events":
            exact += 1
            missed += estimate.lower > 0.9
    assert exact >= 20
    assert missed / samples <= 0.025 + 3 * math.sqrt(0.025 * 0.975 / samples)


def test_incidence_standard_errors_with_late_entry() -> None:
    """Two causes with shares 0.3 and 0.7 of all events: the mean standard error is the spread of the estimates.

    The spread of N estimates is known to 1 / sqrt(2 N) of itself, here 2.2 %; three of these are allowed.
    """
    rng, samples, hazards, day = np.random.default_rng(20261103), 1000, [0.0006, 0.0014], 500
    estimates, std_errors = np.empty((samples, 2)), np.empty((samples, 2))
    for sample in range(samples):
        curves = cumulative_incidence(risk_table(spells(rng, 150, hazards)))
        row = curves.counts.row_on(day)
        estimates[sample], std_errors[sample] = curves.incidence[:, row], curves.std_error[:, row]
    truth = np.array([0.3, 0.7]) * (1 - math.exp(-0.002 * day))
    spread = estimates.std(axis=0, ddof=1)
    np.testing.assert_array_less(np.abs(estimates.mean(axis=0) - truth), 3 * spread / math.sqrt(samples))
    np.testing.assert_allclose(std_errors.mean(axis=0), spread, rtol=3 / math.sqrt(2 * samples))


def patients(rng: np.random.Generator, samples: int, m: int, most: int, share: float) -> tuple[Ints, Ints]:
    """Growing and placed grafts, (samples, m); patients' own shares are beta with intraclass correlation 1/11."""
    placed = rng.integers(20 if most <= 60 else 5, most + 1, (samples, m))
    own_share = rng.beta(10 * share, 10 * (1 - share), (samples, m))
    return rng.binomial(placed, own_share), placed


@pytest.mark.parametrize(
    ("m", "most", "share", "stated"),
    [(10, 60, 0.92, 0.93), (20, 60, 0.92, 0.94), (40, 60, 0.92, 0.94), (10, 300, 0.92, 0.91), (20, 60, 0.97, 0.92)],
)
def test_ratio_limits(m: int, most: int, share: float, stated: float) -> None:
    """Graft survival: the coverage that the docstring admits to, and what ignoring patients would do instead."""
    rng, samples = np.random.default_rng(20261104), 4000
    growing, placed = patients(rng, samples, m, most, share)
    held = held_by_wilson = 0
    for y, x in zip(growing, placed, strict=True):
        sums = RatioSums(m, int(y.sum()), int(x.sum()), int(y @ y), int(x @ y), int(x @ x))
        result = clustered_ratio(sums)
        assert result.lower is not None
        assert result.upper is not None
        held += result.lower <= share <= result.upper
        as_if_independent = wilson(sums.sum_y, sums.sum_x)  # type: ignore[arg-type]
        held_by_wilson += as_if_independent.lower <= share <= as_if_independent.upper
    assert held / samples == pytest.approx(stated, abs=three_errors(samples) + 0.005)
    assert held_by_wilson / samples < 0.75
