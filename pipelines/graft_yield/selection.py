"""Who came back to be counted, and how far that could shift graft survival."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import polars as pl

from registry.definition.codes import AREA_CHOICE
from registry.store import Registry

from ..estimators import clustered_ratio
from ..figure import Figure
from ..graft_measures import (
    EFFECTIVE_RETURNED,
    HEAVIEST_RETURN_WEIGHT,
    LIGHTEST_RETURN_WEIGHT,
    SESSIONS_COUNTED,
    YIELD_ALL_GREW,
    YIELD_BY_CHOICE,
    YIELD_CRUDE,
    YIELD_NONE_GREW,
    YIELD_WEIGHTED,
)
from ..groups import EVERYBODY, NOT_RECORDED, Chosen, chosen_fields, group_columns, group_fields
from .areas import Asked, not_counted, ratio_figure, ratio_sums

RETURN_FIELDS = ("age_band", "site_code", "technique")
"""What the weights are made of."""
SMALLEST_CELL = 10
"""Cells with fewer sessions counted are put together. Common practice, no source."""
SHOWN_BY = ("site_code", "surgeon_code")
_DUE = ("missed_visit", "not_reached", "item_empty")
"""Reasons of sessions whose grafts could have been counted."""


def graft_survival_selection(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    by_hairs: bool = False,
    window: tuple[int, int] | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Graft survival under other readings of the sessions that were due for a count and were not counted.

    Due: sessions past the window with their patient alive and not operated on again. Of these
    - the share counted, over all and by site and surgeon: a low share, more than a low survival, is what to mend first;
    - survival as counted, and weighted: each session counted stands in for those due of the same age band, site and
      technique (weight: due / counted; cells with fewer than 10 counted are put together, a cell without any count has
      nobody to stand in for it). Limits as `clustered_ratio`, the weights taken as known, which errs on the wide side
      where the cells tell of survival. Weights mend a return that age, site and technique explain. They cannot mend one
      that depends on the result itself, such as content patients who stay away: then weights stay near 1 and nothing
      warns of it;
    - bounds: if nothing grew, or all, where nobody counted, as many grafts taken there as in a session counted. Wide
      bounds say how little the counts alone can tell; neither is likely. Sampling is not in them.
    By how the area was chosen: areas taken at random are nearest to the truth; the densest and thinnest were somebody's
    choice.
    Lightest and heaviest weight and the effective share (Kish) say what the weights do: look again where the heaviest
    is above 10 or the share below a half (common practice, no source).
    Between surgeons or sites: small numbers and another case-mix, not a verdict.

    by, by_hairs, window, chosen, as_of, level: as `graft_survival`. A field of `by` takes no part in the weights.
    Returns figures by group, then measure: n sessions in n_clusters patients; at_risk what was placed in their areas,
    for shares of sessions the sessions due. not_counted: sessions that were not due; of survival as counted, all that
    were not counted.
    Raises: GraftledgerError as `graft_survival`.
    Source: Seaman & White 2013, Stat Methods Med Res 22:278-295 (weights); Kish 1965, Survey Sampling, section 11.7.
    """
    fields = chosen_fields(by, registry.settings)
    asked = Asked(registry, fields, by_hairs, window, chosen, as_of, level)
    known = group_fields(registry.settings)
    others = [known[name] for name in dict.fromkeys((*RETURN_FIELDS, *SHOWN_BY)) if name not in by]
    columns = dict(zip((field.name for field in others), group_columns([*fields, *others])[len(fields) :], strict=True))
    split = replace(asked, fields=(*fields, *others))
    due, areas, reasons = (
        split.table("growth", "growth_due", due=list(_DUE)),
        asked.table("mature_area"),
        asked.reasons(),
    )
    figures: list[Figure] = []
    for group, named in asked.groups(reasons):
        own, left_out = asked.part(due, group), not_counted(asked.part(reasons, group))
        figures += _shares(own, named, columns, asked, {key: n for key, n in left_out.items() if key not in _DUE})
        cells = [columns[name] for name in RETURN_FIELDS if name in columns]
        figures += _yields(own, cells, named, asked, left_out)
        figures += _choices(asked.part(areas, group), named, asked)
    return tuple(figures)


def weighted(due: pl.DataFrame, cells: Sequence[str]) -> pl.DataFrame:
    """The sessions counted, each with the weight of its cell: due / counted.

    Cells are small tables of counts, so that no more is joined than was counted.
    """
    if not cells:
        return weighted(due.with_columns(cell=pl.lit("all")), ["cell"]).drop("cell")
    sizes = due.group_by(cells).agg(due=pl.len(), counted=pl.col("counted").sum())
    small = pl.col("counted") < SMALLEST_CELL
    pooled = sizes.filter(small).select(pl.col("due", "counted").sum()).row(0)
    together = pooled[0] / pooled[1] if pooled[1] else None
    weights = sizes.select(
        *cells, weight=pl.when(small).then(pl.lit(together, pl.Float64)).otherwise(pl.col("due") / pl.col("counted"))
    )
    return due.filter(pl.col("counted") == 1).join(weights, on=cells, how="left", nulls_equal=True)


def _shares(
    due: pl.DataFrame,
    named: Mapping[str, str],
    columns: Mapping[str, str],
    asked: Asked,
    reasons: Mapping[str, int],
) -> Iterator[Figure]:
    shown = {name: columns[name] for name in SHOWN_BY if name in columns}
    needed = due.select("patient_key", "counted", "due", *shown.values())
    yield _share(needed, named, asked, not_counted=reasons)
    for name, column in shown.items():
        for value in needed[column].unique().sort():
            yield _share(needed.filter(pl.col(column) == value), {**named, name: str(value)}, asked)


def _share(due: pl.DataFrame, group: Mapping[str, str], asked: Asked, **more: Any) -> Figure:
    counted = int(due["counted"].sum())
    return ratio_figure(
        due, SESSIONS_COUNTED, group, asked, y="counted", x="due", unit="sessions", events=counted, **more
    )


def _yields(
    due: pl.DataFrame, cells: Sequence[str], named: Mapping[str, str], asked: Asked, reasons: Mapping[str, int]
) -> Iterator[Figure]:
    counted = weighted(due, cells)
    crude = ratio_figure(counted, YIELD_CRUDE, named, asked, unit="sessions")
    yield replace(crude, not_counted=reasons)
    heavy = counted.with_columns(pl.col("growing", "placed") * pl.col("weight"))
    sums = ratio_sums(heavy)
    ratio = clustered_ratio(sums, asked.level) if sums else None
    yield replace(
        crude,
        measure=YIELD_WEIGHTED,
        method="weighted_clustered_ratio",
        estimate=ratio.estimate if ratio else None,
        lower=ratio.lower if ratio else None,
        upper=ratio.upper if ratio else None,
    )
    share = len(counted) / len(due) if len(due) else None
    for measure, grew in ((YIELD_NONE_GREW, 0.0), (YIELD_ALL_GREW, 1.0)):
        told = None if share is None else share * (crude.estimate or 0.0) + (1 - share) * grew
        if len(counted) and crude.estimate is None:
            told = None
        yield replace(
            crude,
            measure=measure,
            method="bound",
            estimate=told,
            lower=None,
            upper=None,
            n=len(due),
            n_clusters=due["patient_key"].n_unique(),
        )
    weight = counted["weight"].sort().to_numpy()  # sorted, so that its sums do not depend on the order of rows
    effective = weight.sum() ** 2 / (len(weight) * (weight**2).sum()) if len(weight) else None
    ends = (weight.min(), weight.max()) if len(weight) else (None, None)
    measures = (LIGHTEST_RETURN_WEIGHT, HEAVIEST_RETURN_WEIGHT, EFFECTIVE_RETURNED)
    for measure, value in zip(measures, (*ends, effective), strict=True):
        yield replace(
            crude,
            measure=measure,
            method="inverse_probability_of_return",
            estimate=None if value is None else float(value),
            lower=None,
            upper=None,
        )


def _choices(areas: pl.DataFrame, named: Mapping[str, str], asked: Asked) -> Iterator[Figure]:
    recorded = areas.with_columns(pl.col("area_choice").fill_null(NOT_RECORDED))
    for choice in (*AREA_CHOICE.names, NOT_RECORDED):
        part = recorded.filter(pl.col("area_choice") == choice)
        if choice == NOT_RECORDED and not len(part):
            continue
        group = {**named, "area_choice": choice}
        n = part["session_key"].n_unique()
        yield ratio_figure(part, YIELD_BY_CHOICE, group, asked, unit="sessions", n=n)
