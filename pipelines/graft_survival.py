"""How many of the grafts placed in marked areas grow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from registry.definition.codes import SCALP_ZONES
from registry.durations import years
from registry.milestones import check_mature_window
from registry.store import Registry

from ._queries import SESSION_HERE, rows
from .estimators import RatioSums, clustered_ratio
from .figure import NOT_COUNTED_REASONS, Figure
from .graft_measures import HAIR_SURVIVAL, HAIR_SURVIVAL_CAPPED
from .groups import EVERYBODY, Chosen, GroupField, all_groups, chosen_fields, group_columns, shared_texts, shared_values
from .measures import GRAFT_SURVIVAL, GRAFT_SURVIVAL_CAPPED

COUNT_STEPS = (*SESSION_HERE, "mature_count")
_STEPS = (*COUNT_STEPS, "growth", "growth_sum")
_AS_COUNTED, _CAPPED = ("y", "xy", "yy"), ("y_capped", "xy_capped", "yy_capped")
_SUMS = {False: {GRAFT_SURVIVAL: _AS_COUNTED, GRAFT_SURVIVAL_CAPPED: _CAPPED}}
_SUMS[True] = {HAIR_SURVIVAL: _AS_COUNTED, HAIR_SURVIVAL_CAPPED: _CAPPED}
SumsByGroup = Mapping[tuple[str, ...], Mapping[str | None, Mapping[str, Any]]]
"""Rows of `growth_sum` by group, then by reason (None: counted)."""
CAPPED_MEASURES = (GRAFT_SURVIVAL_CAPPED, HAIR_SURVIVAL_CAPPED)


def graft_survival(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    by_hairs: bool = False,
    window: tuple[int, int] | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of placed grafts that grow, counted when mature in marked areas of the scalp.

    Estimator: growing grafts / placed grafts, both summed over areas, with limits that take the patient as the unit
    (`clustered_ratio`). Of several counts of one area the nearest to a year is taken, and of several readings the
    first. Counts above what was placed (hairs that stood there before, miscounts) are kept, since to leave them out
    would bias the share down: `graft_survival_capped` says what capping each area at what was placed would do, and
    its events say how many areas that concerns.
    Assumes: areas counted are like those not counted; few sessions have marked areas, and fewer are counted. Misleads
    where areas were chosen for how they look, where those who are content do not come back, and where existing
    hairs are taken for grafts.
    By hairs: hairs seen less those that stood there before, over hairs placed; an area without all three numbers is
    not told. It misleads down where existing hairs were lost meanwhile, and up where they were undercounted.
    Between surgeons or sites: small numbers and another case-mix, not a verdict.

    by: names of at most two fields. by_hairs: hairs instead of grafts (measures hair_survival, hair_survival_capped).
    window: first and last day after the session of a mature count; that of the settings (10 to 18 months unless set
    otherwise) if left out. chosen: whose sessions are looked at (`groups.choose`). as_of: what happened later is
    ignored. level: above 0, below 1.
    Returns figures by measure, then group: n areas in n_clusters patients, at_risk the grafts (hairs) placed in them;
    not_counted is in sessions: those without a mature count, by reason. alert: more is growing than was placed, or
    fewer hairs stand there than before surgery.
    Raises: GraftledgerError for an unknown field or a window that begins before month 2 or ends before it begins.
    Source: as `clustered_ratio`; months 10 to 18 are common practice, no source.
    """
    fields = chosen_fields(by, registry.settings)
    by_group = survival_sums(
        registry,
        fields,
        by_hairs=by_hairs,
        window=window or registry.settings.mature_window,
        chosen=chosen,
        as_of=as_of,
    )
    return survival_figures(
        by_group, fields, by_hairs=by_hairs, chosen=chosen, floor=registry.settings.floor_denominator, level=level
    )


def survival_sums(
    registry: Registry,
    fields: Sequence[GroupField],
    *,
    by_hairs: bool,
    window: tuple[int, int],
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
) -> SumsByGroup:
    """The sums over patients that the figures are made of."""
    table = rows(
        registry,
        _STEPS,
        "from growth_sum order by all",
        {**shared_values(registry.settings, as_of, chosen), **count_values(window)},
        {**shared_texts(fields, chosen), **count_texts(by_hairs=by_hairs)},
    )
    by_group: dict[tuple[str, ...], dict[str | None, Mapping[str, Any]]] = {}
    for row in table.iter_rows(named=True):
        group = tuple(row[column] for column in group_columns(fields))
        by_group.setdefault(group, {})[row["reason"]] = row
    return dict(by_group)


def survival_figures(
    by_group: SumsByGroup,
    fields: Sequence[GroupField],
    *,
    by_hairs: bool,
    floor: int,
    level: float,
    chosen: Chosen = EVERYBODY,
) -> tuple[Figure, ...]:
    """The figures, wherever the sums come from. floor: a share of fewer patients is flagged."""
    figures = []
    for measure, sums in _SUMS[by_hairs].items():
        for group in all_groups(fields, by_group, chosen):
            reasons = by_group.get(group, {})
            named = dict(zip((field.name for field in fields), group, strict=True))
            not_counted = {reason: reasons[reason]["sessions"] for reason in NOT_COUNTED_REASONS if reason in reasons}
            shared = {"measure": measure, "group": named, "level": level, "not_counted": not_counted}
            figures.append(_figure(reasons.get(None), sums, shared, floor))
    return tuple(figures)


def count_values(window: tuple[int, int]) -> dict[str, Any]:
    """What the steps that read counts bind.

    Raises: GraftledgerError for a window that begins before month 2 or ends before it begins.
    """
    check_mature_window(window)
    first, last = window
    return {
        "scalp_zones": list(SCALP_ZONES),
        "mature_from": first,
        "mature_to": last,
        "nearest_to": years(1),
    }


def count_texts(*, by_hairs: bool = False) -> dict[str, str]:
    """What is read as placed and as growing, and one reading as a share of what was placed."""
    if not by_hairs:
        read = "c.growing_grafts / c.placed_grafts"
        return {"placed": "c.placed_grafts", "growing": "c.growing_grafts", "read": read}
    # empty where any of the three numbers is: existing hairs that nobody recorded are not none
    net = "c.growing_hairs - c.existing_hairs_before"
    return {
        "placed": "c.placed_hairs",
        "growing": f"if(c.placed_hairs is null, null, {net})",
        "read": "c.growing_hairs / c.placed_hairs",
    }


def _figure(
    counted: Mapping[str, Any] | None, sums: tuple[str, str, str], shared: Mapping[str, Any], floor: int
) -> Figure:
    """One group's figure; the floor holds for patients, since areas of one patient are alike."""
    unit: dict[str, Any] = {"n_unit": "areas", "method": "clustered_ratio"}
    if counted is None:
        return Figure(**shared, **unit, n=0, n_clusters=0, at_risk=0, flags=("too_few",))
    y, xy, yy = (counted[name] for name in sums)
    shown: dict[str, Any] = {
        "n": counted["areas"],
        "n_clusters": counted["patients"],
        "at_risk": counted["x"],
        "events": counted["areas_above"] if shared["measure"] in CAPPED_MEASURES else None,
    }
    few = ("too_few",) if counted["patients"] < floor else ()
    if y < 0 or xy < 0:  # more existing hairs taken away than are seen: no share
        return Figure(**shared, **unit, **shown, flags=(*few, "alert"))
    ratio = clustered_ratio(RatioSums(counted["patients"], y, counted["x"], yy, xy, counted["xx"]), shared["level"])
    flags = (*few, "alert") if ratio.estimate > 1 else few  # more growing than was placed: miscounts, or existing hairs
    return Figure(**shared, **unit, **shown, estimate=ratio.estimate, lower=ratio.lower, upper=ratio.upper, flags=flags)
