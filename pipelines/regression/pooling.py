"""One answer from several imputed sets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .spells import Floats


@dataclass(frozen=True, eq=False)
class Pooled:
    """estimate, standard_error: (k,). degrees_of_freedom: (k,) for Student's t.

    missing_information: (k,) share of what there is to know that is lost to missing values, 0-1.
    """

    estimate: Floats
    standard_error: Floats
    degrees_of_freedom: Floats
    missing_information: Floats

    def limits(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Lower and upper limits."""
        from scipy.stats import t

        reach = t.ppf((1 + level) / 2, self.degrees_of_freedom) * self.standard_error
        return self.estimate - reach, self.estimate + reach


def pooled(estimates: Sequence[Floats], variances: Sequence[Floats], complete_df: float) -> Pooled:
    """Rubin's rules: the mean of the estimates, with the variance within sets and between them.

    estimates, variances: one a set, (k,) each; at least two sets. complete_df: degrees of freedom if nothing were
    missing; for a Cox model, events less columns. Degrees of freedom after Barnard & Rubin, never above that.
    Raises: ValueError for fewer than two sets.
    Source: Rubin 1987, Multiple Imputation for Nonresponse in Surveys, section 3.3; Barnard & Rubin 1999, Biometrika
    86:948-955.
    """
    count = len(estimates)
    if count < 2:
        raise ValueError("pooling needs at least two imputed sets")
    mean = np.mean(estimates, axis=0)
    within = np.mean(variances, axis=0)
    between = np.var(estimates, axis=0, ddof=1)
    total = within + (1 + 1 / count) * between
    share = np.divide((1 + 1 / count) * between, total, out=np.zeros_like(total), where=total > 0)
    rubin = np.divide(count - 1, share**2, out=np.full_like(total, np.inf), where=share > 0)
    observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
    freedom = np.where(np.isinf(rubin), observed, 1 / (1 / np.maximum(rubin, 1e-300) + 1 / observed))
    return Pooled(mean, np.sqrt(total), freedom, share)
