"""Sessions, or patients, with and without each complication in a window, counted in the database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import polars as pl

from .complication_code import COUNTED, EVENT, REASONS, STRADDLING, UNDATED
from .complication_columns import counted_bits, told
from .complication_kinds import ComplicationMeasure, Window, class_of
from .complication_request import ComplicationRequest
from .complication_steps import Judged, judged_sessions
from .estimators import RatioSums
from .groups import group_columns

Group = tuple[str, ...]
_REASON_OF = {code: reason for reason, code in REASONS.items()}


@dataclass(frozen=True)
class ClassCounts:
    """One class of kinds in one group. reasons: those not counted. sum_xx: squares of sessions by patient."""

    n: int = 0
    patients: int = 0
    sum_xx: int = 0
    reasons: Mapping[str, int] = field(default_factory=dict)

    def missing(self, among: Sequence[str]) -> int:
        """How many are not counted for these reasons."""
        return sum(self.reasons.get(reason, 0) for reason in among)


@dataclass(frozen=True)
class EventCounts:
    """One kind and severity in one group, by reason (None: counted). undated: a record without a day of onset.

    straddling: those of the events that may have fallen after the window.
    """

    events: Mapping[str | None, int] = field(default_factory=dict)
    undated: Mapping[str | None, int] = field(default_factory=dict)
    straddling: Mapping[str | None, int] = field(default_factory=dict)
    sum_yy: int = 0
    sum_xy: int = 0


@dataclass(frozen=True)
class WindowCounts:
    """All of one window. classes, events: by group, then class of kinds or measure."""

    classes: Mapping[Group, Mapping[str, ClassCounts]]
    events: Mapping[tuple[Group, str, str], EventCounts]

    def of(self, group: Group, measure: ComplicationMeasure) -> tuple[ClassCounts, EventCounts]:
        """What is known of one measure in one group."""
        counts = self.classes.get(group, {}).get(class_of(measure.kind), ClassCounts())
        return counts, self.events.get((group, measure.kind, measure.severity), EventCounts())


def ratio_sums(counts: ClassCounts, events: EventCounts) -> RatioSums:
    """The sums over patients that the variance between them needs."""
    return RatioSums(counts.patients, events.events.get(None, 0), counts.n, events.sum_yy, events.sum_xy, counts.sum_xx)


def window_counts(request: ComplicationRequest, windows: Sequence[Window]) -> list[WindowCounts]:
    """The counts of each window; records and contacts are read once."""
    numbers, columns = range(len(windows)), group_columns(request.fields)
    with judged_sessions(request, windows) as judged:
        patterns = [_patterns(judged, number) for number in numbers]
        pairs = [_by_group(judged.rows("complication_pair_sum", _of_window(number)), columns) for number in numbers]
        classes = _class_counts(judged, patterns, pairs)
        events = [_item_events(request, *both) for both in zip(patterns, pairs, strict=True)]
        _add_record_events(judged, events)
    return [WindowCounts(*both) for both in zip(classes, events, strict=True)]


def class_counts(judged: Judged) -> dict[Group, dict[str, ClassCounts]]:
    """Sessions (or patients) counted and not in the first window, by group and class of kinds."""
    pairs = _by_group(judged.rows("complication_pair_sum", _of_window(0)), group_columns(judged.request.fields))
    return _class_counts(judged, [_patterns(judged, 0)], [pairs])[0]


def _of_window(number: int) -> dict[str, str]:
    return {"told": told(number), "other": f"other_{number}"}


def _patterns(judged: Judged, number: int) -> pl.DataFrame:
    return judged.rows("complication_pattern", _of_window(number))


def _by_group(table: pl.DataFrame, columns: Sequence[str]) -> dict[Group, Mapping[str, Any]]:
    return {_group(row, columns): row for row in table.iter_rows(named=True)}


def _group(row: Mapping[str, Any], columns: Sequence[str]) -> Group:
    return tuple(row[column] for column in columns)


def _class_counts(
    judged: Judged, patterns: Sequence[pl.DataFrame], pairs: Sequence[Mapping[Group, Mapping[str, Any]]]
) -> list[dict[Group, dict[str, ClassCounts]]]:
    columns, persons = group_columns(judged.request.fields), judged.rows("complication_person")
    found: list[dict[Group, dict[str, ClassCounts]]] = []
    for number, (pattern, pair) in enumerate(zip(patterns, pairs, strict=True)):
        of_window: dict[Group, dict[str, ClassCounts]] = {}
        for place, name in enumerate(judged.request.classes):
            reason = f"reason_{name}"
            is_counted = pl.col(counted_bits(number)) // 2**place % 2 == 1
            with_others = _by_group(_summed(persons.filter(is_counted), columns), columns)
            by_group: dict[Group, dict[int, int]] = {}
            alone: dict[Group, int] = {}
            for row in _summed(pattern, [*columns, "has_others", reason]).iter_rows(named=True):
                group, code, n = _group(row, columns), row[reason], row["n"]
                by_group.setdefault(group, {})[code] = by_group.get(group, {}).get(code, 0) + n
                if code == COUNTED and not row["has_others"]:
                    alone[group] = n
            for group, by_code in by_group.items():
                n = by_code.get(COUNTED, 0)
                of_window.setdefault(group, {})[name] = ClassCounts(
                    n,
                    alone.get(group, 0) + with_others.get(group, {"n": 0})["n"],
                    n + 2 * pair.get(group, {}).get(f"both_{name}", 0),
                    {_REASON_OF[code]: count for code, count in by_code.items() if code != COUNTED},
                )
        found.append(of_window)
    return found


def _summed(table: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    if not columns:
        return table.select(pl.col("n").sum())
    return table.group_by(columns).agg(pl.col("n").sum()).sort(columns)


Events = dict[tuple[Group, str, str], EventCounts]


def _item_events(
    request: ComplicationRequest, patterns: pl.DataFrame, pairs: Mapping[Group, Mapping[str, Any]]
) -> Events:
    """Events of kinds and severities that an item tells of."""
    columns, found = group_columns(request.fields), {}
    for measure in request.item_measures:
        names = {f"reason_{class_of(measure.kind)}": "reason", f"happened_{measure.name}": "happened"}
        table = _summed(patterns, [*columns, *names]).rename(names).filter(pl.col("happened") > 0)
        for group, counts in _event_counts(table, columns).items():
            pair, seen = pairs.get(group, {}), counts.events.get(None, 0)
            found[group, measure.kind, measure.severity] = replace(
                counts,
                sum_yy=seen + 2 * pair.get(f"events_{measure.name}", 0),
                sum_xy=seen + pair.get(f"mixed_{measure.name}", 0),
            )
    return found


def _add_record_events(judged: Judged, events: Sequence[Events]) -> None:
    """Add the events of kinds and severities that records alone tell of."""
    columns, key = group_columns(judged.request.fields), ["window_no", "kind", "severity"]
    sums = _by_group(judged.rows("complication_record_event_sum"), [*key, *columns])
    table = judged.rows("complication_record_event_count")
    for place, counts in _event_counts(table, [*key, *columns]).items():
        number, kind, severity, *group = place
        squares = sums.get(place, {"sum_yy": 0, "sum_xy": 0})
        events[int(number)][tuple(group), kind, severity] = replace(
            counts, sum_yy=squares["sum_yy"], sum_xy=squares["sum_xy"]
        )


def _event_counts(table: pl.DataFrame, columns: Sequence[str]) -> dict[Group, EventCounts]:
    """Rows of reason, what happened and how often, as counts by reason."""
    by_code: dict[Group, dict[int, dict[str | None, int]]] = {}
    for row in table.iter_rows(named=True):
        of_code = by_code.setdefault(_group(row, columns), {EVENT: {}, STRADDLING: {}, UNDATED: {}})
        of_code[row["happened"]][_REASON_OF.get(row["reason"])] = row["n"]
    return {
        group: EventCounts(
            {
                reason: found[EVENT].get(reason, 0) + found[STRADDLING].get(reason, 0)
                for reason in {**found[EVENT], **found[STRADDLING]}
            },
            found[UNDATED],
            found[STRADDLING],
        )
        for group, found in by_code.items()
    }
