"""Next sessions seen beside those expected of the same patients: described, and never flagged."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from registry.store import Registry

from ..estimators.standardised import standardised_ratio
from ..figure import Figure
from ..next_session_model.spells import model_spells
from .case_mix import CaseMixFit, CaseMixModel
from .compare import LEAST_POOLED
from .factors import Factor
from .measures import EXPECTED, NEXT_SESSION, NEXT_SESSIONS_SEEN_TO_EXPECTED
from .next_session_fit import expected_next_sessions, fit_rows, planned, within_reach


def next_sessions(
    registry: Registry,
    surgeon: str,
    *,
    model: CaseMixModel | None = None,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, Figure]:
    """Next sessions here after the first one here with this surgeon, over those that a model of all others expects.

    Estimator: seen over the sum of cumulative hazards of a Cox regression on age, stage, sex and family history, as
    many as there are tens of next sessions, fitted to patients whose first session here was another surgeon's; without
    any where there are too few. Both up to the last day that the model reaches (`at`): what came later is left out.
    Limits: Poisson, mid-P, expected taken as known.
    It tells whose patients come back, which depends on age, hair loss and wishes, on what was planned, and on where
    else they may go. It is no measure of quality: no limit is drawn, nothing is flagged.
    model: frozen, of `fit_next_session_model`; fitted to all others' patients of any time if left out.
    Returns the ratio and the expected number: n patients, events next sessions; no estimate with fewer than two others,
    or nothing expected.
    Source: Berry 1983, Biometrics 39:173-184.
    """
    rows, floor = model_spells(registry, every_session=False, as_of=as_of).rows, registry.settings.floor_denominator
    own = rows.filter(pl.col("surgeon_code") == surgeon)
    fit, factors, others = _model_of_others(rows, surgeon, floor, model)
    reach = fit.baseline.days[-1] if fit and fit.baseline and others >= LEAST_POOLED and len(own) else None
    expected = 0.0
    if fit is not None and reach is not None:
        own = within_reach(own, reach)
        expected = float(expected_next_sessions(fit, own, factors).sum())
    seen = int(own["had_event"].sum())
    ratio = standardised_ratio(seen, expected, level, mid_p=True) if expected > 0 else None
    shared: dict[str, Any] = {
        "n": len(own),
        "n_unit": "patients",
        "n_clusters": len(own),
        "group": {"outcome": NEXT_SESSION},
        "at": reach if ratio else None,
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


def _model_of_others(
    rows: pl.DataFrame, surgeon: str, floor: int, model: CaseMixModel | None
) -> tuple[CaseMixFit | None, tuple[Factor, ...], int]:
    """A model without this surgeon, and how many others have enough patients in it."""
    if model is not None:
        return model.fit_for(surgeon), model.factors, model.others(surgeon, floor)
    others = rows.filter(pl.col("surgeon_code") != surgeon)
    factors = planned(others, floor)
    enough = others.group_by("surgeon_code").len().filter(pl.col("len") >= floor)
    return fit_rows(others, factors, floor), factors, len(enough)
