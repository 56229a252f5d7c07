"""The limits of a funnel as lines over the number of sessions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..estimators.errors import CountsError
from ..estimators.funnel import ALERT_LEVEL, PRIORITY_LEVEL, share_limits
from ..estimators.limits import normal_quantile
from .results import MeasureComparison

_POINTS = 60


@dataclass(frozen=True)
class FunnelLine:
    """Limits of observed over expected at so many sessions of average risk."""

    sessions: int
    alert: tuple[float, float]
    priority: tuple[float, float]


def funnel_lines(comparison: MeasureComparison, most: int) -> tuple[FunnelLine, ...]:
    """Limits from few sessions up to most, widened for over-dispersion; none where nothing can be drawn.

    For sessions of average risk. A surgeon is judged by the risks of the very cases, so a point close to a line may
    lie on its other side: the table tells.
    """
    cases = np.unique(np.geomspace(5, max(most, 20), _POINTS).astype(np.int64))
    if comparison.measure.model == "grafts":
        return _normal_lines(comparison, cases.tolist())
    share = comparison.share
    if share is None or not 0 < share < 1:
        return ()
    errors = [math.sqrt(share * (1 - share) / n) / share for n in cases.tolist()]
    wide = np.array([comparison.dispersion.widening(error) if comparison.dispersion else 1.0 for error in errors])
    try:
        alert, priority = (share_limits(share, cases, level, widening=wide) for level in (ALERT_LEVEL, PRIORITY_LEVEL))
    except CountsError:
        return ()
    return tuple(
        FunnelLine(n, (low / share, high / share), (lowest / share, highest / share))
        for n, low, high, lowest, highest in zip(
            cases.tolist(), *(column.tolist() for column in (*alert, *priority)), strict=True
        )
    )


def session_error(comparison: MeasureComparison) -> float | None:
    """Of grafts: standard error of the ratio of one session, by chance, as with the surgeon in the middle."""
    errors = sorted(
        one.std_error * math.sqrt(one.n)
        for one in comparison.results.values()
        if one.ratio is not None and one.variance > 0
    )
    return errors[len(errors) // 2] if errors else None


def _normal_lines(comparison: MeasureComparison, cases: list[int]) -> tuple[FunnelLine, ...]:
    error = session_error(comparison)
    if error is None:
        return ()
    found = []
    for n in cases:
        own = error / math.sqrt(n)
        wide = comparison.dispersion.widening(own) if comparison.dispersion else 1.0
        alert, priority = (normal_quantile(level) * wide * own for level in (ALERT_LEVEL, PRIORITY_LEVEL))
        found.append(FunnelLine(n, (max(1 - alert, 0.0), 1 + alert), (max(1 - priority, 0.0), 1 + priority)))
    return tuple(found)
