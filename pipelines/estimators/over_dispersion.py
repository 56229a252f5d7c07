"""Over-dispersion: surgeons differ by more than chance for reasons nobody measured, and limits must allow for it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats

WINSORISED = 0.1
"""Share of the scores at either end that is pulled in to the quantile there, as in the paper."""
FEWEST_UNITS = 5
"""Own choice, no source: among fewer surgeons no spread is estimated."""

Form = Literal["additive", "multiplicative"]


@dataclass(frozen=True)
class OverDispersion:
    """How much surgeons differ beyond chance.

    phi: mean winsorised squared score, divided by what it would be by chance; 1 is chance alone, never below 1 here.
    phi_as_published: the same undivided, which chance alone brings to about 0.7. tau2: variance between surgeons, in
    the square of the values' unit; 0 is chance alone. form: which of the two widens limits. units: surgeons.
    told: False where there were too few surgeons to tell; then phi is 1 and tau2 is 0.
    """

    phi: float
    phi_as_published: float | None
    tau2: float
    form: Form
    units: int
    told: bool

    def widening(self, std_error: float) -> float:
        """What limits of a value with this standard error (by chance, at the target) are widened by, at least 1."""
        if self.form == "multiplicative":
            return math.sqrt(self.phi)
        return math.sqrt(1.0 + self.tau2 / std_error**2)


def over_dispersion(
    values: Sequence[float] | Floats,
    target: float,
    std_errors: Sequence[float] | Floats,
    form: Form = "additive",
    winsorised: float = WINSORISED,
) -> OverDispersion:
    """Spread between surgeons beyond chance, from scores that the most extreme surgeons cannot drive.

    Estimator: z = (value - target) / std_error; the lowest and highest tenth of z are pulled in to their quantiles;
    phi is the mean of z squared. Winsorising takes spread away even where there is chance alone, so phi is divided by
    what is left of it among normal scores (0.68 for a tenth; own choice, the paper leaves it; without it about 1 % of
    surgeons who differ no more than their peers would lie beyond 99.8 %). Additive:
    tau2 = (I phi - (I - 1)) / (sum w - sum w**2 / sum w), w = 1 / std_error**2, not below 0, I surgeons.
    Form `additive` (default): true values of surgeons vary with variance tau2, so limits do not close up however many
    the cases; `multiplicative`: every limit is wider by sqrt(phi). The first suits unmeasured differences between
    patients; the second widens limits of surgeons with few cases too, of whom chance alone would do.
    Assumes: most surgeons share one spread, about normal. With true shares normal 0.2 % of surgeons lie beyond the 99.8
    % limits so widened; where true ratios are skew (gamma, standard deviation 0.3 of the mean) 0.4 %, nearly all above
    (simulated, 20 surgeons). Wide limits hide real differences: look into what makes surgeons differ, and show phi.
    values: (k,). target: same unit. std_errors: (k,) above 0, by chance at the target: sqrt(target (1 - target) / n)
    for a share, 1 / sqrt(expected) for a ratio, or sqrt(sum of p (1 - p)) / expected with risks p.
    Fewer than 5 surgeons: told is False, limits stay as they are.
    Raises: CountsError for other shapes, missing values, a standard error of 0; ValueError for winsorised outside
    0-0.5.
    Source: Spiegelhalter 2005, Stat Med 24:1185-1202, section on over-dispersion and its appendix; DerSimonian & Laird
    1986, Control Clin Trials 7:177-188.

    >>> found = over_dispersion([0.1, 0.2, 0.3, 0.1, 0.3], 0.2, [0.03] * 5)
    >>> round(found.phi_as_published, 2), round(found.phi, 1), round(found.tau2, 4)
    (8.89, 13.1, 0.0138)
    """
    if not 0.0 <= winsorised < 0.5:
        raise ValueError(f"winsorised {winsorised}: expected a share from 0 to below 0.5")
    value, error = np.asarray(values, dtype=float), np.asarray(std_errors, dtype=float)
    if value.ndim != 1 or value.shape != error.shape or not math.isfinite(target):
        raise CountsError("values and standard errors are columns of the same length")
    if not (np.isfinite(value).all() and np.isfinite(error).all()) or (error <= 0.0).any():
        raise CountsError("each surgeon needs a value and a standard error above 0: leave out those without cases")
    units = len(value)
    if units < FEWEST_UNITS:
        return OverDispersion(1.0, None, 0.0, form, units, told=False)
    z = (value - target) / error
    low, high = np.quantile(z, [winsorised, 1.0 - winsorised])
    raw = float((np.clip(z, low, high) ** 2).mean())
    phi = raw / _left_of_chance(winsorised)
    weight = error**-2
    tau2 = (units * phi - (units - 1)) / float(weight.sum() - (weight**2).sum() / weight.sum())
    return OverDispersion(max(1.0, phi), raw, max(0.0, tau2), form, units, told=True)


def _left_of_chance(winsorised: float) -> float:
    """Mean square of a standard normal number pulled in at both ends."""
    if winsorised == 0.0:
        return 1.0
    normal = NormalDist()
    end = -normal.inv_cdf(winsorised)
    return 1.0 - 2.0 * winsorised - 2.0 * end * normal.pdf(end) + 2.0 * winsorised * end**2
