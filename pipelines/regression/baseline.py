"""What a Cox model predicts: the share with the event by a day, for each person."""

from __future__ import annotations

import numpy as np

from ._risk_sets import strata
from .spells import Floats, Spells


def predicted_share(spells: Spells, coefficients: Floats, at_days: float) -> Floats:
    """Share with the event by a day, (n,), 0-1; not-a-number in a stratum whose follow-up or events end before it.

    Baseline hazard of each stratum with ties after Efron. Predicts for people like those it was fitted to, with the
    follow-up they had: nothing is carried past the last day on which a stratum was observed.
    Source: Breslow 1972, J R Stat Soc B 34:216-217; Efron 1977, JASA 72:557-565.
    """
    centre = spells.x.mean(axis=0)
    x = spells.x - centre
    predictor = x @ coefficients
    share = np.full(spells.size, np.nan)
    for stratum in strata(spells, np.zeros((spells.size, 0)), predictor):
        if spells.exit[stratum.rows].max() >= at_days:
            hazard = stratum.by_day(stratum.step)[stratum.day <= at_days].sum()
            share[stratum.rows] = 1 - np.exp(-hazard * np.exp(predictor[stratum.rows]))
    return share


def expected_events(spells: Spells, coefficients: Floats, others: Spells) -> Floats:
    """Events to expect of each of other spells over the very time that it was observed, (m,): its cumulative hazard.

    Over all spells that the coefficients were fitted to they add up to the events seen. One stratum only; time past the
    last event of the fitted spells adds nothing.
    spells: those fitted. others: the same columns.
    Source: Berry 1983, Biometrics 39:173-184 (observed against the sum of cumulative hazards).
    """
    centre = spells.x.mean(axis=0) if spells.x.size else np.zeros(len(spells.names))
    predictor = (spells.x - centre) @ coefficients
    (stratum,) = strata(spells, np.zeros((spells.size, 0)), predictor)
    running = np.concatenate([[0.0], np.cumsum(stratum.by_day(stratum.step))])
    ends = np.searchsorted(stratum.day, others.exit, side="right")
    starts = np.searchsorted(stratum.day, others.entry, side="right")
    return np.asarray((running[ends] - running[starts]) * np.exp((others.x - centre) @ coefficients))
