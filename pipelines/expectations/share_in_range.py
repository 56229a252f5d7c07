"""Share of sessions whose length, or day of suture removal, lies in a range."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from registry.store import Registry

from .._queries import SESSION_HERE, rows
from ..estimators import wilson
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, all_groups, chosen_fields, group_columns, shared_texts, shared_values
from ..measures import SESSION_LENGTH, SUTURES_OUT

_COLUMNS: Mapping[str, tuple[str, str]] = {
    SESSION_LENGTH: ("duration_hours", "true"),
    SUTURES_OUT: ("sutures_out_day", "has_sutures"),
}
"""The column of each measure, and which sessions can have it at all."""


def share_in_range(
    registry: Registry,
    measure: str,
    between: tuple[float, float],
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of sessions with an answer that lies in the range, both ends included; Wilson limits.

    Assumes: sessions without an answer are like the others; one patient's sessions count as independent.
    measure: session_length (hours) or sutures_out_day (days; strips alone). Returns one figure a group, n sessions.
    Raises: GraftledgerError for an unknown field. Source: Wilson 1927, JASA 22:209-212.
    """
    fields = chosen_fields(by, registry.settings)
    columns = group_columns(fields)
    column, eligible = _COLUMNS[measure]
    groups = "".join(f"{name}, " for name in columns)
    table = rows(
        registry,
        (*SESSION_HERE, "contact", "session_contact", "session_fact"),
        f"""
        select {groups} count(*) as sessions, count({column}) as n, count(distinct if({column} is not null, patient_key,
            null)) as patients, count(*) filter ({column} between $low and $high) as inside
        from session_fact where {eligible} group by all
        """,
        {**shared_values(registry.settings, as_of, chosen), "low": between[0], "high": between[1]},
        shared_texts(fields, chosen),
    )
    by_group = {tuple(row[: len(columns)]): row[len(columns) :] for row in table.rows()}
    figures = []
    for group in all_groups(fields, by_group, chosen):
        sessions, n, patients, inside = by_group.get(group, (0, 0, 0, 0))
        share = wilson(inside, n, level) if n else None
        figures.append(
            Figure(
                measure,
                n,
                "sessions",
                "wilson",
                group=dict(zip((field.name for field in fields), group, strict=True)),
                estimate=share.estimate if share else None,
                lower=share.lower if share else None,
                upper=share.upper if share else None,
                level=level,
                n_clusters=patients,
                events=inside,
                not_counted={"item_empty": sessions - n} if sessions > n else {},
                flags=("too_few",) if n < registry.settings.floor_denominator else (),
            )
        )
    return tuple(figures)
