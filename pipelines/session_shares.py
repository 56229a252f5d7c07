"""From sessions counted by reason to shares: one figure a measure and group."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import polars as pl

from registry.store import Registry

from .estimators import wilson
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import Chosen, GroupField, all_groups, group_columns

COUNT_TEXTS = {"also": "", "event": "had_event"}
"""What the step `judged_count` takes as text beside its groups and what it counts: further columns, and the event."""
Group = tuple[str, ...]
Reasons = Mapping[str | None, tuple[int, int, int]]
"""By reason (None: counted): sessions, events among them, and their patients."""


def by_group(counts: pl.DataFrame, fields: Sequence[GroupField]) -> dict[Group, Reasons]:
    """Counts by group, then by reason.

    counts: columns of the groups, reason, sessions, events, patients; one row each.
    """
    found: dict[Group, dict[str | None, tuple[int, int, int]]] = {}
    columns = group_columns(fields)
    for row in counts.iter_rows(named=True):
        of_group = found.setdefault(tuple(row[name] for name in columns), {})
        of_group[row["reason"]] = (row["sessions"], row["events"], row["patients"])
    return dict(found)


def by_group_of_each(
    column: str, values: Iterable[str], counts: pl.DataFrame, fields: Sequence[GroupField]
) -> dict[str, dict[Group, Reasons]]:
    """The same for each value of a column. Every group stands under every value, also without a session."""
    groups: dict[Group, Reasons] = {group: {} for group in by_group(counts, fields)}
    return {value: groups | by_group(counts.filter(pl.col(column) == value), fields) for value in values}


def session_shares(
    registry: Registry,
    found: Mapping[Group, Reasons],
    fields: Sequence[GroupField],
    chosen: Chosen,
    level: float,
    **same: Any,
) -> Iterator[Figure]:
    """Events / sessions counted with Wilson limits, one figure a group. same: what all figures have, such as measure.

    Source: Wilson 1927, JASA 22:209-212.
    """
    return share_figures(found, fields, chosen, level, registry.settings.floor_denominator, **same)


def share_figures(
    found: Mapping[Group, Reasons],
    fields: Sequence[GroupField],
    chosen: Chosen,
    level: float,
    floor: int,
    **same: Any,
) -> Iterator[Figure]:
    """As `session_shares`, wherever the counts come from. floor: a share of fewer sessions is flagged."""
    for group in all_groups(fields, found, chosen):
        reasons = found.get(group, {})
        n, events, patients = reasons.get(None, (0, 0, 0))
        share = wilson(events, n, level) if n else None
        yield Figure(
            **same,
            n=n,
            n_unit="sessions",
            method="wilson",
            group=dict(zip((field.name for field in fields), group, strict=True)),
            estimate=share.estimate if share else None,
            lower=share.lower if share else None,
            upper=share.upper if share else None,
            level=level,
            n_clusters=patients,
            events=events,
            not_counted={reason: reasons[reason][0] for reason in NOT_COUNTED_REASONS if reason in reasons},
            flags=("too_few",) if n < floor else (),
        )
