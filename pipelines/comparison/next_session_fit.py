"""The model of what is to be expected of next sessions, fitted so that it can be frozen."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import polars as pl

from registry.durations import months
from registry.store import Registry

from ..next_session_model.spells import model_spells
from ..regression.baseline import baseline_hazard, expected_events
from ..regression.concordance import concordance
from ..regression.cox import fit_cox
from ..regression.errors import ModelError
from ..regression.spells import Floats, Spells
from .calibration import Calibration, calibration_groups
from .case_mix import EVENTS_A_COLUMN, FOLDS, Baseline, CaseMixFit, CaseMixModel
from .factors import Factor, columns_of, plan_factors
from .measures import NEXT_SESSION, NEXT_SESSION_FACTORS

GRID_DAYS = months(3)
"""Between two days of the baseline; coarse, so that it holds no day of a single patient."""
A_YEAR = 4
"""Steps of the grid."""
_NO_FIT = (ModelError, np.linalg.LinAlgError)


def fit_next_session_model(
    registry: Registry, first_on: date, last_on: date, *, as_of: date | None = None
) -> CaseMixModel:
    """The model over patients first operated on here in a reference period, and once more without each surgeon.

    Estimator: Cox regression of the days to the next session here; baseline after Breslow on a grid of three months,
    which ends at the last one that as many patients as the floor were followed to. Factors as of the other models.
    Assumes: hazards in one proportion over time; loss carries no news of it. Misleads as a measure of quality, which
    it is not. c-statistic, slope and intercept (log of seen over expected) are of patients left out of the fit, in ten
    parts. not_counted: spells of any time, since some have no day to place them by.
    """
    found, floor = model_spells(registry, every_session=False, as_of=as_of), registry.settings.floor_denominator
    rows = found.rows.filter(pl.col("start_on").is_between(first_on, last_on))
    factors = planned(rows, floor)
    whole = fit_rows(rows, factors, floor)
    surgeons = sorted(rows["surgeon_code"].unique().to_list())
    return CaseMixModel(
        NEXT_SESSION,
        first_on,
        last_on,
        factors,
        whole,
        {code: fit_rows(rows.filter(pl.col("surgeon_code") != code), factors, floor) for code in surgeons},
        checked(rows, factors, whole, floor),
        found.not_counted,
    )


def planned(rows: pl.DataFrame, floor: int) -> tuple[Factor, ...]:
    """As many factors as there are tens of next sessions."""
    events = int(rows["had_event"].sum())
    return plan_factors(rows, NEXT_SESSION_FACTORS, floor, events // EVENTS_A_COLUMN) if events else ()


def fit_rows(rows: pl.DataFrame, factors: Sequence[Factor], floor: int) -> CaseMixFit | None:
    """The fit of these spells; None without events or follow-up.

    Where a group has no next session, its ratio has no bound: then factors are left out, the last first, until there is
    an estimate.
    """
    days = _grid(rows, floor)
    if not rows["had_event"].any() or len(days) < 2:
        return None
    x, names = columns_of(rows, factors)
    coefficients = np.zeros(len(names))
    for last in np.cumsum([len(factor.columns) for factor in factors])[::-1]:
        told = np.flatnonzero(x[:, :last].std(axis=0) > 0)
        try:
            coefficients[told] = fit_cox(spells_of(rows, x[:, told], tuple(names[i] for i in told))).coefficients
            break
        except _NO_FIT:
            continue
    hazard = baseline_hazard(spells_of(rows, x, names), coefficients, days)
    return CaseMixFit(
        "cox",
        tuple(coefficients.tolist()),
        len(rows),
        int(rows["had_event"].sum()),
        len(rows),
        Baseline(tuple(int(day) for day in days), tuple(hazard.tolist())),
    )


def within_reach(rows: pl.DataFrame, reach: int) -> pl.DataFrame:
    """The spells up to a day; what happened after it is left out, of those seen and of those expected alike."""
    later = pl.col("exit_day") > reach
    return rows.filter(pl.col("entry_day").fill_null(0) < reach).with_columns(
        (pl.col("had_event") & ~later).alias("had_event"), pl.col("exit_day").clip(upper_bound=reach)
    )


def expected_next_sessions(fit: CaseMixFit, rows: pl.DataFrame, factors: Sequence[Factor]) -> Floats:
    """(n,) next sessions to expect of these spells over the time that they were observed, which `within_reach` ends."""
    assert fit.baseline is not None
    x, names = columns_of(rows, factors)
    asked = spells_of(rows, x, names)
    days, cumulative = (np.asarray(column, dtype=float) for column in (fit.baseline.days, fit.baseline.cumulative))
    return expected_events(days, cumulative, x @ np.asarray(fit.coefficients), asked.entry, asked.exit)


def spells_of(rows: pl.DataFrame, x: Floats, names: tuple[str, ...]) -> Spells:
    """One spell a patient, from the first session here."""
    entry = rows["entry_day"].to_numpy().astype(float)
    return Spells(
        x,
        names,
        np.where(entry > 0, entry, -np.inf),
        rows["exit_day"].to_numpy().astype(float),
        rows["had_event"].to_numpy(),
        np.zeros(len(rows), dtype=np.int64),
        np.arange(len(rows)),
    )


def _grid(rows: pl.DataFrame, floor: int) -> Floats:
    """Days from 0 to the last of the grid on which so many are still followed."""
    exits = np.sort(rows["exit_day"].to_numpy().astype(float))
    reach = exits[-floor] if len(exits) >= floor else 0.0
    return np.arange(0.0, reach + 1, GRID_DAYS)


def checked(rows: pl.DataFrame, factors: Sequence[Factor], whole: CaseMixFit | None, floor: int) -> Calibration | None:
    """Ten parts, each foretold by the others. Rows stand in the order of a digest of keys, so parts are by chance.

    Coefficients are those of the others at the level of the model of all, as with the other measures; the number
    expected in all is by the others' own baselines.
    """
    if whole is None or not any(whole.coefficients):
        return None
    fold = np.arange(len(rows)) % FOLDS
    fits = [fit_rows(rows.filter(fold != number), factors, floor) for number in range(FOLDS)]
    told = [fit for fit in fits if fit is not None and fit.baseline is not None and any(fit.coefficients)]
    if len(told) < FOLDS:
        return None
    reach = min(fit.baseline.days[-1] for fit in told if fit.baseline)
    parts, scores, expected = [], [], []
    for number, fit in enumerate(told):
        part = within_reach(rows.filter(fold == number), reach)
        x, _ = columns_of(part, factors)
        own, level = x @ np.asarray(fit.coefficients), (x @ np.asarray(whole.coefficients)).mean()
        parts.append(part)
        scores.append(own - own.mean() + level)
        expected.append(expected_next_sessions(fit, part, factors))
    seen, score, sums = pl.concat(parts), np.concatenate(scores), np.concatenate(expected)
    had = seen["had_event"].to_numpy().astype(float)
    groups = calibration_groups(had, np.ones(len(seen)), sums, np.arange(len(seen)), by=score)
    spells = spells_of(seen, score[:, None], ("log hazard expected",))
    try:
        line = fit_cox(spells)
    except _NO_FIT:
        return Calibration(concordance(spells, score).c, None, None, None, groups)
    slope, error = float(line.coefficients[0]), float(line.standard_errors[0])
    return Calibration(concordance(spells, score).c, slope, error, float(np.log(had.sum() / sums.sum())), groups)
