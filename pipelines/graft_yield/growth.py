"""How much of what was placed grows, month by month."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from registry.durations import months
from registry.store import Registry

from ..estimators import RatioEstimate
from ..estimators.isotonic_growth import GrowthStep, isotonic_growth
from ..figure import Figure
from ..graft_measures import GROWTH, GROWTH_CRUDE
from ..groups import EVERYBODY, Chosen, chosen_fields
from .areas import Asked, not_counted

FIRST_MONTH, LAST_MONTH = 2, 18
RISES_UNTIL = 12
"""From then on what grew can only be kept or lost (common practice, no source)."""


def growth(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of placed grafts seen growing in marked areas of the scalp by month 2, 3, ... 18.

    Estimator: `isotonic_growth`, rising up to month 12; measure grafts_growing_in_month_crude tells each month as it
    was counted. A month is the days nearer to it than to its neighbours. Counts above what was placed stay in.
    Assumes: areas counted in one month are like those counted in another. Months in which nobody counted have no
    figure. Misleads where only those who worry come early, and where existing hairs are taken for grafts.
    The length of hair, by which early growth could be checked (about 1.27 cm a month: common practice, no source), is
    not in the records, so nothing is said of it.

    by, chosen, as_of, level: as `graft_survival`.
    Returns figures by group, then measure, then month: n areas in n_clusters patients in that month, at_risk grafts
    placed in them. not_counted: sessions without any count from month 2 to 18, by reason, the same for each month.
    Raises: GraftledgerError as `graft_survival`.
    Source: as `isotonic_growth`.
    """
    window = (months(FIRST_MONTH), months(LAST_MONTH))
    asked = Asked(registry, chosen_fields(by, registry.settings), False, window, chosen, as_of, level)
    counts = asked.table("growth_month")
    sessions = asked.reasons()
    figures: list[Figure] = []
    for group, named in asked.groups(counts, sessions):
        own = asked.part(counts, group).rename({"patient_key": "patient", "month": "step"})
        steps = isotonic_growth(own.select("patient", "step", "growing", "placed"), RISES_UNTIL, level)
        shared: dict[str, Any] = {
            "n_unit": "areas",
            "group": named,
            "level": level,
            "not_counted": not_counted(asked.part(sessions, group)),
        }
        if not steps:
            nobody: dict[str, Any] = {"n": 0, "n_clusters": 0, "at_risk": 0, "flags": ("too_few",)}
            figures.append(Figure(GROWTH, method="isotonic_ratio", **nobody, **shared))
        figures += [_figure(GROWTH, "isotonic_ratio", step, step.monotone, asked, shared) for step in steps]
        figures += [_figure(GROWTH_CRUDE, "clustered_ratio", step, step.crude, asked, shared) for step in steps]
    return tuple(figures)


def _figure(
    measure: str, method: str, step: GrowthStep, ratio: RatioEstimate, asked: Asked, shared: dict[str, Any]
) -> Figure:
    return Figure(
        measure,
        method=method,
        at=months(step.step),
        estimate=ratio.estimate,
        lower=ratio.lower,
        upper=ratio.upper,
        n=step.n_rows,
        n_clusters=step.n_clusters,
        at_risk=step.placed,
        flags=("too_few",) if step.n_clusters < asked.floor else (),
        **shared,
    )
