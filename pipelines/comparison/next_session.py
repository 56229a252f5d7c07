"""Next sessions seen beside those expected of the same patients: described, and never flagged."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import polars as pl

from registry.store import Registry

from ..estimators.standardised import standardised_ratio
from ..figure import Figure
from ..next_session_model.spells import model_spells
from ..regression.baseline import expected_events
from ..regression.cox import fit_cox
from ..regression.errors import ModelError
from ..regression.spells import Floats, Spells
from .case_mix import EVENTS_A_COLUMN
from .compare import LEAST_POOLED
from .factors import columns_of, plan_factors
from .measures import EXPECTED, NEXT_SESSION_FACTORS, NEXT_SESSIONS_SEEN_TO_EXPECTED


def next_sessions(
    registry: Registry, surgeon: str, *, as_of: date | None = None, level: float = 0.95
) -> tuple[Figure, Figure]:
    """Next sessions here after the first one here with this surgeon, over those that a model of all others expects.

    Estimator: seen over the sum of cumulative hazards of a Cox regression on age, stage, sex and family history, as
    many as there are tens of next sessions, fitted to patients whose first session here was another surgeon's; without
    any where there are too few. Limits: Poisson, mid-P, expected taken as known.
    It tells whose patients come back, which depends on age, hair loss and wishes, on what was planned, and on where
    else they may go. It is no measure of quality: no limit is drawn, nothing is flagged.
    Returns the ratio and the expected number: n patients, events next sessions; no estimate with fewer than two others,
    or nothing expected.
    Source: Berry 1983, Biometrics 39:173-184.
    """
    found = model_spells(registry, every_session=False, as_of=as_of)
    own, others = (found.rows.filter((pl.col("surgeon_code") == surgeon) == is_own) for is_own in (True, False))
    floor = registry.settings.floor_denominator
    enough = others.group_by("surgeon_code").len().filter(pl.col("len") >= floor)
    expected = _expected(own, others, floor) if len(enough) >= LEAST_POOLED and len(own) else 0.0
    seen = int(own["had_event"].sum())
    ratio = standardised_ratio(seen, expected, level, mid_p=True) if expected > 0 else None
    shared: dict[str, Any] = {
        "n": len(own),
        "n_unit": "patients",
        "n_clusters": len(own),
        "group": {"outcome": "next_session"},
        "events": seen,
        "level": level,
        "method": "cox_without_the_surgeon",
        "flags": ("too_few",) if len(own) < floor or ratio is None else (),
    }
    limits: dict[str, Any] = {"estimate": ratio.ratio, "lower": ratio.lower, "upper": ratio.upper} if ratio else {}
    return (
        Figure(NEXT_SESSIONS_SEEN_TO_EXPECTED, **shared, **limits),
        Figure(EXPECTED, **shared, estimate=expected if ratio else None),
    )


def _expected(own: pl.DataFrame, others: pl.DataFrame, floor: int) -> float:
    """Next sessions to expect of these patients over the time that they were observed."""
    events = int(others["had_event"].sum())
    if not events:
        return 0.0
    factors = plan_factors(others, NEXT_SESSION_FACTORS, floor, events // EVENTS_A_COLUMN)
    x, names = columns_of(others, factors)
    told = np.flatnonzero(x.std(axis=0) > 0)
    try:
        fitted = _spells(others, x[:, told], tuple(names[place] for place in told))
        coefficients = fit_cox(fitted).coefficients if len(told) else np.zeros(0)
    except (ModelError, np.linalg.LinAlgError):  # a group in which nobody had one
        told = np.arange(0)
        fitted, coefficients = _spells(others, x[:, told], ()), np.zeros(0)
    asked = _spells(own, columns_of(own, factors)[0][:, told], fitted.names)
    return float(expected_events(fitted, coefficients, asked).sum())


def _spells(rows: pl.DataFrame, x: Floats, names: tuple[str, ...]) -> Spells:
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
