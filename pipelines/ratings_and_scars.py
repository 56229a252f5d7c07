"""How satisfied patients are over time, and how wide the scars of strips are: means over sessions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from registry.definition import record_type
from registry.milestones import Milestone
from registry.store import Registry

from ._queries import CONTACT, kept, rows
from .complication_model.measures import SATISFACTION_MEAN, SCAR_MEAN
from .complication_model.sessions import RATED_AT, SCAR_AT, SCAR_VALUES, kept_sessions
from .estimators import RatioSums, clustered_ratio
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import milestone_values, shared_values

_Found = tuple[Mapping[str, Mapping[str, Any]], Mapping[str, Mapping[str, int]]]
"""By milestone: sums over patients, and sessions without a value by reason."""


def ratings_and_scars(registry: Registry, *, as_of: date | None = None, level: float = 0.95) -> tuple[Figure, ...]:
    """Mean satisfaction at each milestone from month 6 on, and mean width of the scar of a strip.

    Estimator: the mean over sessions, limits from how patients differ (`clustered_ratio`), as a share of the largest
    value that the definition allows (10 points, 30 mm), so that limits stay within it. The rating or width nearest to
    the day counts; those made after a further session do not.
    Assumes: those asked or measured are like those not. Misleads: whoever is dissatisfied may stay away, or have gone
    elsewhere; who is seen in later years is a chosen few, so that a rise over time may be who is left; a wide scar that
    brings a patient back is measured more often; widths are skew, and a few wide scars pull the mean.
    as_of: what happened later is ignored. level: above 0, below 1.
    Returns `satisfaction_mean_points` by milestone, then `scar_width_mean_mm`: n sessions, n_clusters patients.
    Source: Cochran 1977, Sampling Techniques, 3rd ed., section 6.3; Korn & Graubard 1998, Surv Methodol 24:193-201.
    """
    values = {**shared_values(registry.settings, as_of), **milestone_values(RATED_AT), **SCAR_VALUES}
    with kept_sessions(registry, as_of):
        rated = _found(registry, ("milestone", "satisfaction_judged"), values, "milestone", "satisfaction")
        measured = _found(registry, ("scar_judged",), values, f"'{SCAR_AT.name}'", "scar_width_mm")
    return (
        *_figures(registry, SATISFACTION_MEAN, RATED_AT, rated, level, _largest("satisfaction")),
        *_figures(registry, SCAR_MEAN, (SCAR_AT,), measured, level, _largest("scar_width_mm")),
    )


def _largest(name: str) -> int:
    high = record_type("visit").field(name).high
    assert high is not None
    return int(high)


def _found(registry: Registry, steps: tuple[str, ...], values: Mapping[str, Any], at: str, value: str) -> _Found:
    texts = {"groups": "", "judged": steps[-1], "at": at, "value": value}
    reasons: dict[str, dict[str, int]] = {}
    with kept(registry, steps[-1], (*CONTACT, *steps), values, texts):
        sums = rows(registry, ("mean_sum",), "from mean_sum", {}, texts)
        for milestone, reason, sessions in rows(registry, ("mean_reason",), "from mean_reason", {}, texts).rows():
            reasons.setdefault(milestone, {})[reason] = sessions
    return {row["milestone"]: row for row in sums.iter_rows(named=True)}, reasons


def _figures(
    registry: Registry, measure: str, milestones: Sequence[Milestone], found: _Found, level: float, largest: int
) -> Iterator[Figure]:
    """largest: what a mean is divided by, so that it is a share; given back in its own unit."""
    for milestone in milestones:
        sums = found[0].get(milestone.name)
        n = sums["sum_x"] if sums else 0
        mean = (
            clustered_ratio(
                RatioSums(
                    sums["patients"],
                    sums["sum_y"],
                    sums["sum_x"] * largest,
                    sums["sum_yy"],
                    sums["sum_xy"] * largest,
                    sums["sum_xx"] * largest * largest,
                ),
                level,
            )
            if sums
            else None
        )
        reasons = found[1].get(milestone.name, {})
        yield Figure(
            measure,
            n,
            "sessions",
            "clustered_ratio",
            at=milestone.due,
            estimate=mean.estimate * largest if mean else None,
            lower=mean.lower * largest if mean and mean.lower is not None else None,
            upper=mean.upper * largest if mean and mean.upper is not None else None,
            level=level,
            n_clusters=sums["patients"] if sums else 0,
            window=f"{milestone.opens}-{milestone.closes}",
            not_counted={reason: reasons[reason] for reason in NOT_COUNTED_REASONS if reason in reasons},
            flags=("too_few",) if n < registry.settings.floor_denominator else (),
        )
