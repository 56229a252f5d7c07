"""The law of a count of events where each case has its own risk."""

from collections.abc import Sequence

import numpy as np

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import Floats


def poisson_binomial(risks: Sequence[float] | Floats) -> Floats:
    """Chances of 0, 1, ... n events among n independent cases with these risks.

    Multiplies the cases' two-term polynomials pair by pair with the fast Fourier transform; chances are right to about
    1e-15, not to a relative error, so chances smaller than that mean nothing.
    risks: (n,) each 0-1, n at least 1. Returns (n + 1,), summing to 1.
    Raises: CountsError, as `checked_risks`.
    Source: Hong 2013, Comput Stat Data Anal 59:41-51 (exact by Fourier transform).

    >>> [round(float(chance), 3) for chance in poisson_binomial([0.5, 0.1])]
    [0.45, 0.5, 0.05]
    """
    risk = checked_risks(risks)
    n = len(risk)
    padded = np.zeros(1 << (n - 1).bit_length())
    padded[:n] = risk
    laws = np.stack([1.0 - padded, padded], axis=1)
    while len(laws) > 1:
        size = 2 * laws.shape[1] - 1
        transformed = np.fft.rfft(laws, 1 << (size - 1).bit_length(), axis=1)
        joined = np.fft.irfft(transformed[0::2] * transformed[1::2], 1 << (size - 1).bit_length(), axis=1)
        laws = joined[:, :size]
    law: Floats = np.clip(laws[0, : n + 1], 0.0, 1.0)
    law /= law.sum()
    return law


def checked_risks(risks: Sequence[float] | Floats) -> Floats:
    """The risks as an array.

    Raises: CountsError for no case, a risk that is missing, or one outside 0-1.
    """
    risk = np.asarray(risks, dtype=float)
    if risk.ndim != 1 or not len(risk):
        raise CountsError("there is no case with a risk")
    if not np.isfinite(risk).all() or (risk < 0.0).any() or (risk > 1.0).any():
        raise CountsError("a risk is a share from 0 to 1: leave out cases without one, and say how many")
    return risk
