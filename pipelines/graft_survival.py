"""How many of the grafts placed in marked areas grow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from registry.definition.codes import SCALP_ZONES
from registry.durations import years
from registry.milestones import MATURE_COUNT_FROM, MATURE_COUNT_TO
from registry.store import Registry

from ._queries import SESSION_HERE, rows
from .estimators import RatioSums, clustered_ratio
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import EVERYBODY, Chosen, all_groups, chosen_fields, group_columns, shared_texts, shared_values
from .measures import GRAFT_SURVIVAL, GRAFT_SURVIVAL_CAPPED

_STEPS = (*SESSION_HERE, "mature_count", "growth", "growth_sum")
_SUMS = {
    GRAFT_SURVIVAL: ("y", "xy", "yy"),
    GRAFT_SURVIVAL_CAPPED: ("y_capped", "xy_capped", "yy_capped"),
}


def graft_survival(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of placed grafts that grow, counted 10 to 18 months after the session in marked areas of the scalp.

    Estimator: growing grafts / placed grafts, both summed over areas, with limits that take the patient as the unit
    (`clustered_ratio`). Of several counts of one area the nearest to a year is taken, and of several readings the
    first. Counts above what was placed (hairs that stood there before, miscounts) are kept, since to leave them out
    would bias the share down: `graft_survival_capped` says what capping each area at what was placed would do, and
    its events say how many areas that concerns.
    Assumes: areas counted are like those not counted; few sessions have marked areas, and fewer are counted. Misleads
    where areas were chosen for how they look, where those who are content do not come back, and where existing
    hairs are taken for grafts.
    Between surgeons or sites: small numbers and another case-mix, not a verdict.

    by: names of at most two fields. chosen: whose sessions are looked at (`groups.choose`). as_of: what happened later
    is ignored. level: above 0, below 1.
    Returns figures by measure, then group: n areas in n_clusters patients, at_risk the grafts placed in them;
    not_counted is in sessions: those without a mature count, by reason.
    Raises: GraftledgerError for an unknown field.
    Source: as `clustered_ratio`; months 10 to 18 are common practice, no source.
    """
    fields = chosen_fields(by, registry.settings)
    table = rows(
        registry,
        _STEPS,
        "from growth_sum order by all",
        {
            **shared_values(registry.settings, as_of, chosen),
            "scalp_zones": list(SCALP_ZONES),
            "mature_from": MATURE_COUNT_FROM,
            "mature_to": MATURE_COUNT_TO,
            "nearest_to": years(1),
        },
        shared_texts(fields, chosen),
    )
    by_group: dict[tuple[str, ...], dict[str | None, Mapping[str, Any]]] = {}
    for row in table.iter_rows(named=True):
        group = tuple(row[column] for column in group_columns(fields))
        by_group.setdefault(group, {})[row["reason"]] = row
    figures = []
    for measure, sums in _SUMS.items():
        for group in all_groups(fields, by_group, chosen):
            reasons = by_group.get(group, {})
            named = dict(zip((field.name for field in fields), group, strict=True))
            not_counted = {reason: reasons[reason]["sessions"] for reason in NOT_COUNTED_REASONS if reason in reasons}
            shared = {"measure": measure, "group": named, "level": level, "not_counted": not_counted}
            figures.append(_figure(reasons.get(None), sums, shared, registry.settings.floor_denominator))
    return tuple(figures)


def _figure(
    counted: Mapping[str, Any] | None, sums: tuple[str, str, str], shared: Mapping[str, Any], floor: int
) -> Figure:
    """One group's figure; the floor holds for patients, since areas of one patient are alike."""
    unit: dict[str, Any] = {"n_unit": "areas", "method": "clustered_ratio"}
    if counted is None:
        return Figure(**shared, **unit, n=0, n_clusters=0, at_risk=0, flags=("too_few",))
    y, xy, yy = (counted[name] for name in sums)
    ratio = clustered_ratio(RatioSums(counted["patients"], y, counted["x"], yy, xy, counted["xx"]), shared["level"])
    return Figure(
        **shared,
        **unit,
        n=counted["areas"],
        n_clusters=counted["patients"],
        estimate=ratio.estimate,
        lower=ratio.lower,
        upper=ratio.upper,
        at_risk=counted["x"],
        events=counted["areas_above"] if shared["measure"] == GRAFT_SURVIVAL_CAPPED else None,
        flags=("too_few",) if counted["patients"] < floor else (),
    )
