"""Sessions of surgeons with stated risks, as `compared_sessions` gives them, without a registry."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl

FIRST_ON, LAST_ON = date(2020, 1, 1), date(2022, 12, 31)
_DAYS = (LAST_ON - FIRST_ON).days + 1


def sessions(
    counts: Mapping[str, int],
    log_odds: Mapping[str, float] | None = None,
    *,
    base: float = -2.75,
    smoking: float = 0.7,
    seed: int = 1,
) -> pl.DataFrame:
    """So many sessions of each surgeon, spread over the period; smokers have higher odds.

    log_odds: added by surgeon. base: log odds of one who never smoked; -2.75 is a share of 6 %.
    """
    random = np.random.default_rng(seed)
    surgeon = np.repeat(list(counts), list(counts.values()))
    n = len(surgeon)
    smokes = random.random(n) < 0.3
    effect = np.array([(log_odds or {}).get(code, 0.0) for code in surgeon])
    risk = 1 / (1 + np.exp(-(base + smoking * smokes + effect)))
    days = random.integers(0, _DAYS, n)
    return table(
        surgeon.tolist(),
        (random.random(n) < risk).astype(float).tolist(),
        smoking=["current" if smoker else "never" for smoker in smokes],
        days=days.tolist(),
    )


def table(
    surgeon: list[str],
    observed: list[float],
    *,
    weight: list[float] | None = None,
    smoking: list[str | None] | None = None,
    days: list[int] | None = None,
    reason: list[str | None] | None = None,
) -> pl.DataFrame:
    """One row a session, in the order of surgery; each of its own patient, of whom nothing else is known."""
    n = len(surgeon)
    on = [FIRST_ON + timedelta(days=day) for day in (days or [place % _DAYS for place in range(n)])]
    return pl.DataFrame(
        {
            "session_key": [f"session{place:08d}" for place in range(n)],
            "patient_key": [f"patient{place:08d}" for place in range(n)],
            "reason": pl.Series(reason or [None] * n, dtype=pl.String),
            "draw": list(range(n)),
            "surgeon_code": surgeon,
            "site_code": ["A"] * n,
            "performed_on": on,
            "harvest_by": surgeon,
            "placed_by": surgeon,
            "age_at_first_surgery_years": pl.Series([None] * n, dtype=pl.Int64),
            "sex": pl.Series([None] * n, dtype=pl.String),
            "smoking": pl.Series(smoking or [None] * n, dtype=pl.String),
            "diabetes": pl.Series([None] * n, dtype=pl.String),
            "extent_of_loss": pl.Series([None] * n, dtype=pl.String),
            "hair_calibre_um": pl.Series([None] * n, dtype=pl.Float64),
            "hair_curl": pl.Series([None] * n, dtype=pl.String),
            "operated_before": ["no"] * n,
            "observed": observed,
            "weight": weight or [1.0] * n,
        }
    ).sort("performed_on", "session_key")
