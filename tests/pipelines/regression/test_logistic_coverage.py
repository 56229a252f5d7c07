"""Known truth: bias and interval coverage of both logistic regressions and of the differences of risk.

With 400 replicates, coverage of a true 95% lies within 3.5 x 1.1 points. Truths are those of the model that drew the
outcomes; a difference of risk is averaged over 200,000 drawn people.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from pipelines.regression.firth import firth_limits, fit_firth, pooled_firth_limits
from pipelines.regression.imputation import Variable, imputed
from pipelines.regression.logistic import fit_logistic, risk
from pipelines.regression.observations import Observations
from pipelines.regression.risk_difference import firth_difference_limits, risk_difference
from pipelines.regression.spells import Floats

pytestmark = pytest.mark.slow

REPLICATES = 400
ALLOWED = 3.5 * np.sqrt(0.95 * 0.05 / REPLICATES)


def covariates(random: np.random.Generator, n: int) -> Floats:
    a = random.normal(size=n)
    return np.column_stack([random.random(n) < risk(0.5 * a - 0.4), a]).astype(float)


def both(x: Floats) -> tuple[Floats, Floats]:
    one, other = x.copy(), x.copy()
    one[:, 0], other[:, 0] = 1, 0
    return one, other


def true_difference(beta: Floats) -> float:
    one, other = both(covariates(np.random.default_rng(1), 200_000))
    return float((risk(beta[0] + one @ beta[1:]) - risk(beta[0] + other @ beta[1:])).mean())


def test_rare_events_firth() -> None:
    """600 people, about 24 events: less bias than the ordinary fit would have; limits and differences cover."""
    beta = np.array([-3.7, 0.9, 0.4])
    truth = true_difference(beta)
    estimates, covered, differences, difference_covered = [], [], [], []
    for number in range(REPLICATES):
        random = np.random.default_rng([81, number])
        x = covariates(random, 600)
        y = (random.random(600) < risk(beta[0] + x @ beta[1:])).astype(float)
        seen = Observations(x, ("a", "b"), y, np.arange(600))
        fit = fit_firth(seen)
        lower, upper = firth_limits(seen, fit)
        estimates.append(fit.coefficients[1:])
        covered.append((lower < beta[1:]) & (beta[1:] < upper))
        found = risk_difference(seen, fit, *both(x))
        differences.append(found.estimate)
        low, high = firth_difference_limits([seen], [fit], [both(x)], 0, (lower[0], upper[0]))
        difference_covered.append(low < truth < high)
    bias = np.mean(estimates, axis=0) - beta[1:]
    assert (np.abs(bias) < 3.5 * np.std(estimates, axis=0) / np.sqrt(REPLICATES) + 0.01).all(), bias
    assert (np.abs(np.mean(covered, axis=0) - 0.95) < ALLOWED).all(), np.mean(covered, axis=0)
    assert np.mean(differences) == pytest.approx(truth, abs=3.5 * np.std(differences) / np.sqrt(REPLICATES))
    assert np.mean(difference_covered) == pytest.approx(0.95, abs=ALLOWED)


def test_sessions_of_one_patient_are_taken_together() -> None:
    """150 patients of four sessions with a shared leaning, a covariate of the patient without effect: errors by
    patient cover, errors by session do not."""
    covered, naive, difference_covered = [], [], []
    for number in range(REPLICATES):
        random = np.random.default_rng([82, number])
        cluster = np.repeat(np.arange(150), 4)
        x = covariates(random, 150)[cluster]
        y = (random.random(600) < risk(-0.8 + random.normal(0, 1.2, 150)[cluster])).astype(float)
        seen = Observations(x, ("a", "b"), y, cluster)
        fit = fit_logistic(seen)
        reach = t.ppf(0.975, 149)
        covered.append(np.abs(fit.coefficients[1:]) < reach * np.sqrt(np.diag(fit.covariance)[1:]))
        naive.append(np.abs(fit.coefficients[1:]) < reach * np.sqrt(np.diag(fit.model_covariance)[1:]))
        found = risk_difference(seen, fit, *both(x))
        difference_covered.append(abs(found.estimate) < reach * found.standard_error)
    assert (np.abs(np.mean(covered, axis=0) - 0.95) < ALLOWED).all(), np.mean(covered, axis=0)
    assert (np.mean(naive, axis=0) < 0.91).all(), np.mean(naive, axis=0)
    assert np.mean(difference_covered) == pytest.approx(0.95, abs=ALLOWED)


@pytest.mark.parametrize(("patients", "intercept", "spread"), [(200, -4.5, 2.5), (100, -3.5, 1.5)])
def test_rare_events_firth_by_patient(patients: int, intercept: float, spread: float) -> None:
    """Three sessions a patient with a shared leaning, about 20 or 40 events, covariates of the patient without effect:
    limits cover; errors of the likelihood alone cover less."""
    covered, naive = [], []
    for number in range(REPLICATES):
        random = np.random.default_rng([84, patients, number])
        cluster = np.repeat(np.arange(patients), 3)
        x = covariates(random, patients)[cluster]
        y = (random.random(len(x)) < risk(intercept + random.normal(0, spread, patients)[cluster])).astype(float)
        seen = Observations(x, ("a", "b"), y, cluster)
        fit = fit_firth(seen)
        lower, upper = firth_limits(seen, fit)
        covered.append((lower < 0) & (upper > 0))
        naive.append(np.abs(fit.slopes) < 1.96 * np.sqrt(np.diag(fit.model_covariance)[1:]))
    assert 0.93 <= np.mean(covered) <= 0.97, np.mean(covered, axis=0)
    assert (np.abs(np.mean(covered, axis=0) - 0.95) < ALLOWED).all(), np.mean(covered, axis=0)
    assert np.mean(naive) < np.mean(covered) - 0.01, np.mean(naive)


def test_rare_events_firth_with_gaps_filled_in() -> None:
    """500 people, about 30 events, a quarter of a covariate missing, more often where the other is high: limits joined
    over three sets cover, and so do those of the difference. 200 replicates: within 3.5 x 1.5 points."""
    beta, replicates = np.array([-3.2, 0.9, 0.4]), 200
    truth = true_difference(beta)
    covered, differences = [], []
    for number in range(replicates):
        random = np.random.default_rng([93, number])
        x = covariates(random, 500)
        y = (random.random(500) < risk(beta[0] + x @ beta[1:])).astype(float)
        gone = random.random(500) < 0.15 + 0.2 * (x[:, 1] > 0)
        variables = [Variable("a", np.where(gone, np.nan, x[:, 0]), 2), Variable("b", x[:, 1])]
        sets = [
            Observations(np.column_stack([each["a"], x[:, 1]]), ("a", "b"), y, np.arange(500))
            for each in imputed(variables, y[:, None], 3, number)
        ]
        fits = [fit_firth(seen) for seen in sets]
        lower, upper = pooled_firth_limits(sets, fits, columns=[0])
        covered.append(lower[0] < beta[1] < upper[0])
        readings = [both(seen.x) for seen in sets]
        low, high = firth_difference_limits(sets, fits, readings, 0, (lower[0], upper[0]))
        differences.append(low < truth < high)
    allowed = 3.5 * np.sqrt(0.95 * 0.05 / replicates)
    assert np.mean(covered) == pytest.approx(0.95, abs=allowed)
    assert np.mean(differences) == pytest.approx(0.95, abs=allowed)
