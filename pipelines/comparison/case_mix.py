"""Case-mix models: what was to be expected of each session, from what its patient brought along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import polars as pl

from ..graft_model.quasi_binomial import fit_quasi_binomial
from ..regression.errors import ModelError
from ..regression.firth import fit_firth
from ..regression.logistic import fit_logistic, risk
from ..regression.observations import Observations
from ..regression.spells import Floats, Ints
from .calibration import Calibration, calibration
from .factors import Factor, columns_of, plan_factors
from .measures import ComparedMeasure
from .sessions import counted, reasons, within

LEAST_EVENTS = 10
"""Fewer of the rarer outcome, and no factor is adjusted for (common practice, no source)."""
EVENTS_A_COLUMN = 10
"""Fewer of the rarer outcome a column, and the likelihood is penalised (Peduzzi et al. 1996, J Clin Epidemiol
49:1373-1379)."""
FOLDS = 10
LEAST_GRAFT_PATIENTS = 40
"""Fewer patients with counts, and no factor is adjusted for (common practice, no source)."""

_NO_FIT = (ModelError, np.linalg.LinAlgError)

Method = Literal["logistic", "firth", "quasi_binomial", "no_factors", "cox"]


@dataclass(frozen=True)
class Baseline:
    """Cumulative hazard of who stands at 0 in every column, by days after surgery, ascending from 0."""

    days: tuple[int, ...]
    cumulative: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class CaseMixFit:
    """One fitted model. coefficients: intercept, then one a column. n, events: sessions and events, or grafts.

    Of the next session (`cox`): log hazard ratios, one a column and no intercept; n: patients; baseline: its hazard.
    """

    method: Method
    coefficients: tuple[float, ...]
    n: int
    events: int
    patients: int
    baseline: Baseline | None = None


@dataclass(frozen=True, eq=False)
class CaseMixModel:
    """The model of a measure over a reference period.

    whole: of all surgeons. without: of all others, by the surgeon left out; a surgeon who is not in it is compared
    with the whole. checks: of predictions for patients left out of the fit; None where nothing is adjusted for.
    """

    measure: str
    reference_from: date
    reference_to: date
    factors: tuple[Factor, ...]
    whole: CaseMixFit | None
    without: Mapping[str, CaseMixFit | None]
    checks: Calibration | None
    not_counted: Mapping[str, int]

    def others(self, surgeon: str, floor: int) -> int:
        """How many other surgeons have at least so many patients in the reference period."""
        whole = self.whole
        return sum(
            whole is not None and whole.patients - (fit.patients if fit else 0) >= floor
            for code, fit in self.without.items()
            if code != surgeon
        )

    def fit_for(self, surgeon: str) -> CaseMixFit | None:
        """The model that leaves this surgeon out; None where others have no session in the reference period."""
        return self.without.get(surgeon, self.whole)

    def expected(self, rows: pl.DataFrame, surgeon: str) -> Floats | None:
        """(n,) the share expected of each session, 0-1, by the model without this surgeon."""
        fit = self.fit_for(surgeon)
        return None if fit is None else predicted(fit, rows, self.factors)


def fit_case_mix(
    table: pl.DataFrame, measure: ComparedMeasure, first_on: date, last_on: date, *, floor: int
) -> CaseMixModel:
    """Fit a measure's case-mix model over the sessions of a reference period, and once more without each surgeon.

    Estimator: logistic regression for shares, with as many factors, in the order declared, as there are tens of the
    rarer outcome; penalised (Firth, intercept fitted anew) where a group has none of it, or leaving a surgeon out
    leaves too few. For grafts, log odds that one does not grow, as a quasi-binomial. With fewer than ten of the rarer
    outcome, or fewer than 40 patients with counts, the share of all stands for everybody and nothing is adjusted for
    (`no_factors`).
    Assumes: log odds are straight lines in numbers; those assessed are like those not; what is not recorded is the
    same kind of unknown with every surgeon, since it is a group of its own. Misleads where surgeons differ in what
    no record holds, or in how they record a factor.
    table: of `compared_sessions`. floor: smallest group of a level.
    Source: leaving a unit out of its own standard: Jones & Spiegelhalter 2011, J R Stat Soc A 174:729-747 (recalled).
    """
    period = within(table, first_on, last_on)
    rows = counted(period)
    factors = plan_factors(rows, measure.factors, floor, _most_columns(rows, measure)) if len(rows) else ()
    surgeons = rows["surgeon_code"].to_numpy().astype(str)
    without = {
        surgeon: _fit(rows.filter(pl.col("surgeon_code") != surgeon), measure, factors)
        for surgeon in sorted(set(surgeons.tolist()))
    }
    return CaseMixModel(
        measure.name,
        first_on,
        last_on,
        factors,
        _fit(rows, measure, factors),
        without,
        _checked(rows, measure, factors),
        reasons(period),
    )


def predicted(fit: CaseMixFit, rows: pl.DataFrame, factors: Sequence[Factor]) -> Floats:
    """(n,) the share expected of each session."""
    if fit.method == "no_factors":
        return np.full(len(rows), fit.coefficients[0])
    x, _ = columns_of(rows, factors)
    beta = np.asarray(fit.coefficients)
    return risk(beta[0] + x @ beta[1:])


def _checked(rows: pl.DataFrame, measure: ComparedMeasure, factors: Sequence[Factor]) -> Calibration | None:
    """How well the model foretells sessions of patients whom it was not fitted to: ten parts by patient.

    Each part is judged by the coefficients of the others, but at the level of the model of all: a part with many events
    leaves few to the others, so that with levels of their own expected shares would go against what was seen.
    """
    whole = _fit(rows, measure, factors) if factors else None
    if whole is None or whole.method == "no_factors":
        return None
    fold = rows["draw"].to_numpy() % FOLDS
    parts = []
    for number in range(FOLDS):
        part, others = rows.filter(fold == number), rows.filter(fold != number)
        fit = _fit(others, measure, factors)
        if fit is None or fit.method == "no_factors":
            return None
        if len(part):
            own, all_of = (_log_odds(predicted(one, part, factors)) for one in (fit, whole))
            parts.append((part, risk(own - own.mean() + all_of.mean())))
    seen = pl.concat([part for part, _ in parts])
    return calibration(
        _numbers(seen, "observed"),
        _numbers(seen, "weight"),
        np.concatenate([share for _, share in parts]),
        _patients(seen),
        yes_or_no=measure.model == "share",
    )


def _log_odds(share: Floats) -> Floats:
    return np.asarray(np.log(share / (1 - share)))


def _most_columns(rows: pl.DataFrame, measure: ComparedMeasure) -> int:
    """How many columns the events, or the patients with counts, carry; at least one where a model is fitted at all."""
    if measure.model == "grafts":
        patients = rows["patient_key"].n_unique()
        return 0 if patients < LEAST_GRAFT_PATIENTS else patients // EVENTS_A_COLUMN
    events = int(rows["observed"].sum())
    rarer = min(events, len(rows) - events)
    return 0 if rarer < LEAST_EVENTS else rarer // EVENTS_A_COLUMN


def _fit(rows: pl.DataFrame, measure: ComparedMeasure, factors: Sequence[Factor]) -> CaseMixFit | None:
    if rows.is_empty():
        return None
    observed, weight, cluster = _numbers(rows, "observed"), _numbers(rows, "weight"), _patients(rows)
    n, events, patients = int(weight.sum()), int(observed.sum()), len(np.unique(cluster))
    x, names = columns_of(rows, factors)
    told = np.flatnonzero(x.std(axis=0) > 1e-12) if len(rows) > 1 else np.arange(0)
    enough = min(events, n - events) >= LEAST_EVENTS if measure.model == "share" else patients >= LEAST_GRAFT_PATIENTS
    if enough and len(told):
        try:
            method, inner = _with_factors(
                measure, x[:, told], tuple(names[place] for place in told), observed, weight, cluster
            )
        except _NO_FIT:  # columns that tell the same, or no end to the search
            pass
        else:
            coefficients = np.zeros(len(names) + 1)
            coefficients[0], coefficients[1 + told] = inner[0], inner[1:]
            return CaseMixFit(method, tuple(float(value) for value in coefficients), n, events, patients)
    return CaseMixFit("no_factors", (float(min(max(observed.sum() / weight.sum(), 0.0), 1.0)),), n, events, patients)


def _with_factors(
    measure: ComparedMeasure, x: Floats, names: tuple[str, ...], observed: Floats, weight: Floats, cluster: Ints
) -> tuple[Method, Floats]:
    """The method and its coefficients. Raises: ModelError, LinAlgError."""
    if measure.model == "grafts":
        # counts above what was placed make fewer than none that did not grow: the other way round they may stand
        grown = fit_quasi_binomial(np.column_stack([np.ones(len(x)), x]), weight - observed, weight, cluster)
        return "quasi_binomial", -grown.coefficients
    observations = Observations(x, names, observed, cluster)
    rarer = min(observed.sum(), len(observed) - observed.sum())
    if rarer >= EVENTS_A_COLUMN * x.shape[1]:
        try:
            return "logistic", fit_logistic(observations).coefficients
        except _NO_FIT:  # a group with events alone, or none: penalised, it has an estimate
            pass
    penalised = fit_firth(observations)
    return "firth", np.r_[penalised.risk_intercept, penalised.slopes]


def _numbers(rows: pl.DataFrame, name: str) -> Floats:
    return np.asarray(rows[name].to_numpy(), dtype=float)


def _patients(rows: pl.DataFrame) -> Ints:
    return np.asarray(np.unique(rows["patient_key"].to_numpy().astype(str), return_inverse=True)[1])
