"""The time to the next session in a few numbers: by when a share had one, and the mean time without one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from registry.store import Registry

from ..estimators import quantile_with_limits, restricted_mean
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, chosen_fields
from ..measures import DAYS_TO_NEXT_SESSION, DAYS_WITHOUT_NEXT_SESSION
from .estimands import HERE, session_number
from .probability import curve_of
from .reading import DEFAULT_AT_DAYS
from .spells import Request, group_tables, refuse_negative

SHARES = (0.1, 0.25, 0.5)


def next_session_summaries(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    at_days: Sequence[int] = DEFAULT_AT_DAYS,
    number: str | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Days by which a tenth, a quarter and a half had a next session here, and mean days without one.

    Estimators: quantiles of the Kaplan-Meier curve with limits of Brookmeyer & Crowley; restricted means up to each of
    at_days. A quantile that the curve does not reach is None, and so is a limit: "not reached". Estimand "here".
    Misleads: a quantile that is reached only late rests on the few who were followed so long; a restricted mean can be
    compared only at the same number of days.

    by, at_days, number (a single one), chosen, as_of, level: as `time_to_next_session`.
    Returns figures by group: quantiles (the share stands in the group), then means by day, in days.
    Raises: GraftledgerError as `time_to_next_session`.
    Source: Brookmeyer & Crowley 1982, Biometrics 38:29-41; Irwin 1949, J Hyg 47:188-189.
    """
    refuse_negative(at_days)
    fields = chosen_fields(by, registry.settings)
    request = Request(registry, fields, chosen, session_number(number) if number else None, as_of)
    floor = registry.settings.floor_at_risk
    figures: list[Figure] = []
    for group, tables in group_tables(request, HERE.steps).items():
        curve, named, n = curve_of(tables, HERE), request.named(group), tables.n
        known = curve.first_day == 0
        for share in SHARES:
            found = quantile_with_limits(curve, share, level)
            days = found.estimate_days if known else None
            left = curve.counts.remaining_after(int(days)) if days is not None else 0
            figures.append(
                Figure(
                    DAYS_TO_NEXT_SESSION,
                    n,
                    "patients",
                    "kaplan_meier_quantile",
                    group={**named, "share": f"{share:.0%}"},
                    estimate=days,
                    lower=found.lower_days if days is not None else None,
                    upper=found.upper_days if days is not None else None,
                    level=level,
                    n_clusters=n,
                    at_risk=left,
                    not_counted=tables.not_counted,
                    flags=("too_few",) if days is not None and left < floor else (),
                )
            )
        for day in at_days:
            if not day:
                continue
            mean = restricted_mean(curve, day, level)
            left = curve.counts.remaining_after(day)
            beyond = mean.reason == "beyond_follow_up"
            figures.append(
                Figure(
                    DAYS_WITHOUT_NEXT_SESSION,
                    n,
                    "patients",
                    "restricted_mean",
                    group=named,
                    at=day,
                    estimate=mean.estimate_days,
                    lower=mean.lower_days,
                    upper=mean.upper_days,
                    level=level,
                    n_clusters=n,
                    at_risk=left,
                    not_counted=tables.not_counted,
                    flags=("beyond_follow_up",) if n and beyond else ("too_few",) if left < floor else (),
                )
            )
    return tuple(figures)
