"""The mature counts as rows, and figures that add them up by patient."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl
from polars import selectors

from registry.store import Registry

from .._queries import rows
from ..estimators import RatioEstimate, RatioSums, clustered_ratio
from ..figure import NOT_COUNTED_REASONS, Figure
from ..graft_survival import COUNT_STEPS, count_texts, count_values
from ..groups import EVERYBODY, Chosen, GroupField, all_groups, group_columns, shared_texts, shared_values


@dataclass(frozen=True, eq=False)
class Asked:
    """What was asked of the counts. fields: to split by. window: of a mature count; that of the settings if None."""

    registry: Registry
    fields: tuple[GroupField, ...]
    by_hairs: bool = False
    window: tuple[int, int] | None = None
    chosen: Chosen = EVERYBODY
    as_of: date | None = None
    level: float = 0.95

    @property
    def columns(self) -> list[str]:
        return group_columns(self.fields)

    @property
    def floor(self) -> int:
        return self.registry.settings.floor_denominator

    def table(self, *steps: str, **values: Any) -> pl.DataFrame:
        """The rows of the last of these steps, which read the counts.

        Whole numbers have 64 bits: sums of squares of the engine's 32 would run over with some 100,000 patients.
        """
        table = rows(
            self.registry, (*COUNT_STEPS, *steps), f"from {steps[-1]} order by all", self._values | values, self._texts
        )
        return table.with_columns(selectors.integer().cast(pl.Int64))

    def reasons(self) -> pl.DataFrame:
        """Sessions by group and by why they have no count (null: they have one), as n."""
        columns = ", ".join([*self.columns, "reason"])
        final = f"select {columns}, count(*) as n from growth group by all order by all"
        return rows(self.registry, (*COUNT_STEPS, "growth"), final, self._values, self._texts)

    @property
    def _values(self) -> dict[str, Any]:
        settings = self.registry.settings
        return {
            **shared_values(settings, self.as_of, self.chosen),
            **count_values(self.window or settings.mature_window),
        }

    @property
    def _texts(self) -> dict[str, str]:
        return {**shared_texts(self.fields, self.chosen), **count_texts(by_hairs=self.by_hairs)}

    def groups(self, *tables: pl.DataFrame) -> list[tuple[tuple[str, ...], dict[str, str]]]:
        """Every group to show, with its names."""
        found = {group for table in tables for group in table.select(self.columns).unique().iter_rows()}
        return [
            (group, dict(zip((field.name for field in self.fields), group, strict=True)))
            for group in all_groups(self.fields, found, self.chosen)
        ]

    def part(self, table: pl.DataFrame, group: Sequence[str]) -> pl.DataFrame:
        """The rows of a group."""
        for column, value in zip(self.columns, group, strict=True):
            table = table.filter(pl.col(column) == value)
        return table


def not_counted(reasons: pl.DataFrame) -> dict[str, int]:
    """Sessions without a count, by reason, in the order of reasons. reasons: a part of `Asked.reasons`."""
    found = dict(reasons.drop_nulls("reason").group_by("reason").agg(pl.col("n").sum()).iter_rows())
    return {reason: found[reason] for reason in NOT_COUNTED_REASONS if reason in found}


def ratio_sums(rows_: pl.DataFrame, y: str = "growing", x: str = "placed") -> RatioSums | None:
    """The sums of a ratio, each patient added up first; None where there is nobody, or no share comes of it.

    Fractions are added in the order of their size: their sum is then the same to the last digit, whatever the order of
    the rows.
    """
    is_exact = rows_.schema[y].is_integer() and rows_.schema[x].is_integer()

    def total(values: pl.Expr) -> pl.Expr:
        return values.sum() if is_exact else values.sort().sum()

    patients = rows_.group_by("patient_key").agg(total(pl.col(y)), total(pl.col(x)))
    sums = patients.select(
        pl.len(),
        total(pl.col(y)),
        total(pl.col(x)),
        total(pl.col(y) * pl.col(y)).alias("yy"),
        total(pl.col(x) * pl.col(y)).alias("xy"),
        total(pl.col(x) * pl.col(x)).alias("xx"),
    ).row(0)
    if not sums[0] or sums[2] <= 0 or sums[1] < 0 or sums[4] < 0:
        return None
    return RatioSums(*sums)


def ratio_figure(
    rows_: pl.DataFrame,
    measure: str,
    group: Mapping[str, str],
    asked: Asked,
    *,
    y: str = "growing",
    x: str = "placed",
    unit: str = "areas",
    **more: Any,
) -> Figure:
    """A ratio of sums over rows, with limits that take the patient as the unit."""
    sums = ratio_sums(rows_, y, x)
    patients = rows_["patient_key"].n_unique()
    ratio = clustered_ratio(sums, asked.level) if sums else RatioEstimate(0.0, None, None, None, 0, None)
    return Figure(
        measure,
        n=more.pop("n", len(rows_)),
        n_unit=unit,
        n_clusters=patients,
        method="clustered_ratio",
        group=group,
        estimate=ratio.estimate if sums else None,
        lower=ratio.lower,
        upper=ratio.upper,
        level=asked.level,
        at_risk=more.pop("at_risk", int(rows_[x].sum() or 0)),
        flags=("too_few",) if patients < asked.floor else (),
        **more,
    )
