"""Each session's interval between two looks, folded in the database to patients alike in all of theirs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from registry.store import Registry

from ._queries import CONTACT, SESSION_HERE, kept, rows, step_text
from .duration_measures import COARSE, FINE_UNTIL, DurationMeasure
from .groups import Chosen, GroupField, group_columns, shared_texts, shared_values
from .session_shares import COUNT_TEXTS

Group = tuple[str, ...]
DURATION_SESSION = ("duration_look", "duration_interval", "duration_session")
"""The steps from contacts to each session's interval."""
INTERVAL_SCHEMA = dict.fromkeys(("pattern", "n", "left_day", "right_day", "sessions"), pl.Int64)
"""The columns of a table of intervals, as `estimators.interval_patients.checked_patients` takes it."""


@dataclass(frozen=True)
class DurationRequest:
    """What was asked for."""

    registry: Registry
    measure: DurationMeasure
    fields: tuple[GroupField, ...]
    chosen: Chosen
    as_of: date | None

    def named(self, group: Group) -> dict[str, str]:
        """A group's values by field."""
        return dict(zip((field.name for field in self.fields), group, strict=True))

    @property
    def texts(self) -> dict[str, str]:
        return {
            **shared_texts(self.fields, self.chosen),
            "group_fields": " ".join(f"{column} := {column}," for column in group_columns(self.fields)),
            **measure_texts(self.measure),
        }

    @property
    def values(self) -> dict[str, Any]:
        return {
            **shared_values(self.registry.settings, self.as_of, self.chosen),
            **measure_values(self.measure),
        }


def measure_values(measure: DurationMeasure) -> dict[str, Any]:
    """The values of a measure that the steps bind."""
    return {
        "kind": measure.kind,
        "from_day": measure.from_day,
        "first_look_by": measure.first_look_by,
        "grid": measure.grid_days,
        "fine_until": FINE_UNTIL,
        "coarse": COARSE,
    }


def measure_texts(measure: DurationMeasure) -> dict[str, str]:
    """Its predicates, which stand in the steps as text."""
    return {
        "answered": measure.answered,
        "present": measure.present,
        "present_before": measure.present_before,
        "last_present_on_grid": step_text("day_on_grid", {"day": "last_present_day"}),
        "first_absent_on_grid": step_text("day_on_grid", {"day": "first_absent_day"}),
    }


@contextmanager
def kept_sessions(request: DurationRequest) -> Iterator[None]:
    """Keep each session's interval, or why it has none."""
    registry, values, texts = request.registry, request.values, request.texts
    with (
        kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts),
        kept(registry, "duration_session", (*CONTACT, "session_contact", *DURATION_SESSION), values, texts),
    ):
        yield


def session_counts(request: DurationRequest) -> dict[Group, dict[str | None, Mapping[str, int]]]:
    """Sessions of each group by reason (None: counted); events are those found gone and then back."""
    texts = {**request.texts, **COUNT_TEXTS, "event": "gone_then_back", "judged": "duration_session"}
    table = rows(request.registry, ("judged_count",), "from judged_count order by all", {}, texts)
    counts: dict[Group, dict[str | None, Mapping[str, int]]] = {}
    for row in table.iter_rows(named=True):
        group = tuple(row[column] for column in group_columns(request.fields))
        counts.setdefault(group, {})[row["reason"]] = row
    return counts


def group_intervals(request: DurationRequest) -> dict[Group, pl.DataFrame]:
    """Intervals of each group's patients, as `checked_patients` takes them."""
    table = rows(request.registry, ("duration_pattern",), "from duration_pattern order by all", {}, request.texts)
    columns = group_columns(request.fields)
    whole = table.select(*columns, *(pl.col(name).cast(kind) for name, kind in INTERVAL_SCHEMA.items()))
    if not columns:
        return {(): whole} if whole.height else {}
    parts = whole.partition_by(columns, as_dict=True, include_key=False)
    return {tuple(str(value) for value in group): part for group, part in parts.items()}


def each_session(table: pl.DataFrame) -> pl.DataFrame:
    """The same intervals, a session as good as any other."""
    return table.select("left_day", "right_day", n=pl.col("n") * pl.col("sessions"))
