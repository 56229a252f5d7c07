"""A surgeon's sessions beside those of all others together: who the patients were, who operated, which had an event."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from ..figure import Figure
from ..regression.spells import Floats
from .compare import LEAST_POOLED
from .factors import NOT_KNOWN
from .measures import COMPARED, FACTOR_DIFFERENCE, FACTOR_MEAN, FACTOR_SHARE, HELPED, SESSIONS_HELD
from .practice import Practice
from .sessions import counted, within

OWN, OTHERS = "own", "others"
WIDE_DIFFERENCE = 0.1
"""A standardised difference above it is worth a word (Austin 2009, Stat Med 28:3083-3107)."""
_FACTORS = {factor.name: factor for measure in COMPARED.values() for factor in measure.factors}


@dataclass(frozen=True)
class CaseAgain:
    """A session of one's own with an event of a measure. expected: its expected share, 0-1; None without a model."""

    measure: str
    session_key: str
    expected: float | None


def period_sessions(practice: Practice) -> pl.DataFrame:
    """Every session of the period with its factors, whatever can be told of it."""
    table = next(iter(practice.tables.values()))
    return within(table, practice.first_on, practice.last_on)


def others_can_be_pooled(practice: Practice, surgeon: str) -> bool:
    """Whether at least two others operated in the period, so that what is told of all others is nobody's own."""
    codes = period_sessions(practice)["surgeon_code"].unique().to_list()
    return len([code for code in codes if code != surgeon]) >= LEAST_POOLED


def session_figures(practice: Practice, surgeon: str) -> Iterator[Figure]:
    """How many sessions in the period, by site; and in how many somebody else harvested or placed."""
    rows = period_sessions(practice)
    own = rows.filter(pl.col("surgeon_code") == surgeon)
    yield _count(SESSIONS_HELD, own, {})
    for site in practice.registry.settings.sites:
        at_site = own.filter(pl.col("site_code") == site)
        if len(at_site):
            yield _count(SESSIONS_HELD, at_site, {"site_code": site})
    for role in ("harvest_by", "placed_by"):
        for whose, part in (
            ("own", own.filter(pl.col(role) != surgeon)),
            ("of_another", rows.filter((pl.col(role) == surgeon) & (pl.col("surgeon_code") != surgeon))),
        ):
            yield _count(HELPED, part, {"role": role, "sessions": whose})


def factor_figures(practice: Practice, surgeon: str) -> Iterator[Figure]:
    """Case-mix of one's own sessions and of all others together, with the standardised difference of each row.

    A mean of a number, a share of a level; of levels, "not known" is one. Sessions count, so a patient with two counts
    twice. Others are told only where at least two operated.
    Source: standardised difference: Austin 2009, Stat Med 28:3083-3107.
    """
    rows = period_sessions(practice)
    pooled = others_can_be_pooled(practice, surgeon)
    for name, factor in _FACTORS.items():
        levels = (*factor.levels, NOT_KNOWN) if factor.kind == "levels" else (None, NOT_KNOWN)
        for level in levels:
            columns = {
                OWN: _values(rows.filter(pl.col("surgeon_code") == surgeon), name, level),
                OTHERS: _values(rows.filter(pl.col("surgeon_code") != surgeon), name, level),
            }
            if not pooled:
                del columns[OTHERS]
            if level is not None and not any(values.any() for values in columns.values()):
                continue
            group = {"factor": name, **({"level": level} if level else {})}
            measure = FACTOR_MEAN if level is None else FACTOR_SHARE
            for whose, values in columns.items():
                yield Figure(
                    measure,
                    n=len(values),
                    n_unit="sessions",
                    method="mean",
                    group={**group, "whose": whose},
                    estimate=float(values.mean()) if len(values) else None,
                )
            if pooled:
                yield Figure(
                    FACTOR_DIFFERENCE,
                    n=len(columns[OWN]),
                    n_unit="sessions",
                    method="standardised_difference",
                    group=group,
                    estimate=_difference(columns[OWN], columns[OTHERS]),
                )


def cases_again(practice: Practice, surgeon: str) -> Mapping[str, list[CaseAgain]]:
    """One's own sessions of the period with an event of each measure, the latest first; of grafts, those in which
    fewer grew than the model expects, by three tenths or more."""
    found: dict[str, list[CaseAgain]] = {}
    for name, measure in COMPARED.items():
        own = counted(within(practice.tables[name], practice.first_on, practice.last_on)).filter(
            pl.col("surgeon_code") == surgeon
        )
        risks = None if own.is_empty() else practice.models[name].expected(own, surgeon)
        shares = own["observed"].to_numpy() / own["weight"].to_numpy()
        if measure.model == "share":
            chosen = shares == 1
        else:
            chosen = np.zeros(len(own), dtype=bool) if risks is None else shares > risks + FEWER_GREW
        keys = own["session_key"].to_list()
        found[name] = [
            CaseAgain(name, keys[place], None if risks is None else float(risks[place]))
            for place in np.flatnonzero(chosen)[::-1].tolist()
        ]
    return found


FEWER_GREW = 0.3
"""A share of growing grafts so far below the expected one is worth another look (common practice, no source)."""


def _values(rows: pl.DataFrame, name: str, level: str | None) -> Floats:
    column = rows[name]
    if level is None:
        return column.drop_nulls().cast(pl.Float64).to_numpy()
    if level == NOT_KNOWN:
        return column.is_null().cast(pl.Float64).to_numpy()
    return (column == level).fill_null(False).cast(pl.Float64).to_numpy()


def _difference(own: Floats, others: Floats) -> float | None:
    if not len(own) or not len(others):
        return None
    spread = float(np.sqrt((own.var() + others.var()) / 2))
    return float(own.mean() - others.mean()) / spread if spread > 0 else 0.0


def _count(measure: str, rows: pl.DataFrame, group: Mapping[str, str]) -> Figure:
    return Figure(
        measure,
        n=len(rows),
        n_unit="sessions",
        n_clusters=rows["patient_key"].n_unique(),
        method="count",
        group=dict(group),
        estimate=float(len(rows)),
    )
