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


def baseline_hazard(spells: Spells, coefficients: Floats, at_days: Floats) -> Floats:
    """Cumulative hazard by each day of who stands at 0 in every column, (k,). One stratum only; ties after Efron.

    Past the last event it stays as it is: do not ask for days that nobody was followed to.
    Source: Breslow 1972, J R Stat Soc B 34:216-217; Efron 1977, JASA 72:557-565.
    """
    centre = spells.x.mean(axis=0) if spells.x.size else np.zeros(len(spells.names))
    (stratum,) = strata(spells, np.zeros((spells.size, 0)), (spells.x - centre) @ coefficients)
    running = np.concatenate([[0.0], np.cumsum(stratum.by_day(stratum.step))])
    return np.asarray(running[np.searchsorted(stratum.day, at_days, side="right")] * np.exp(-centre @ coefficients))


def expected_events(days: Floats, cumulative: Floats, predictor: Floats, entry: Floats, leave: Floats) -> Floats:
    """Events to expect of each spell over the very time that it was observed, (m,): its cumulative hazard.

    Between days of the grid the hazard is taken as even; before its first day it is 0. Over all spells that a model
    was fitted to they add up to about the events seen.
    days, cumulative: (k,) of `baseline_hazard`, ascending. predictor: (m,) columns times coefficients. entry, leave:
    (m,) last day not at risk and last day at risk.
    Raises: ValueError for a spell observed past the last day: nothing is carried past the follow-up of the model.
    Source: Berry 1983, Biometrics 39:173-184 (observed against the sum of cumulative hazards).
    """
    if len(leave) and leave.max() > days[-1]:
        raise ValueError("a spell is observed past the last day of the baseline")
    ends, starts = (np.interp(day, days, cumulative, left=0.0) for day in (leave, entry))
    return np.asarray((ends - starts) * np.exp(predictor))
