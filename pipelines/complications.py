"""How common swelling, bruised eyes, folliculitis, infection and lasting numbness are after a session."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from registry.store import Registry

from ._queries import SESSION_HERE, kept, rows
from .estimators import wilson
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import EVERYBODY, Chosen, GroupField, all_groups, chosen_fields, group_columns, shared_texts, shared_values
from .measures import PRESENT_MEASURES, WINDOW_MEASURES, PresentMeasure, WindowMeasure


def complications(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Share of sessions followed by each complication, among those of which it can be told.

    Estimator: events / assessed sessions, Wilson limits. An event in a window (days 0 to W) needs an unbroken chain of
    contacts, each answering the item for the time since the last, from the session to the first contact on or after
    day W and no later than the closing day. It happened where the chain, a complication record with its onset by W,
    or a look by W says so. A positive answer at a closing contact later than W counts, though the onset may fall
    after W, unless a complication record places it there: the share is, if anything, a little high.
    Numbness is read at the contact nearest to month 6 and month 12 that answers it. That may be a month (at month 12:
    two or three) off, and the share falls ever slower, so it comes out a little high; on synthetic registries by 1 to
    2 % of itself at month 6.
    Sessions that are not due, after which the patient died or was operated on again, or that were not assessed stand
    in not_counted by reason; an event among them counts neither way. Missing is never "no".
    Assumes: sessions assessed are like those not assessed. Misleads where the well stay away (the share is then too
    high) or the ill do (too low); compare not_counted. One patient's sessions count as independent; where many have
    several, limits are a little narrow. Numbness there before surgery counts as present.
    Between surgeons or sites: small numbers and another case-mix, not a verdict.

    by: names of at most two fields. chosen: whose sessions are looked at (`groups.choose`). as_of: what happened later
    is ignored. level: above 0, below 1.
    Returns figures by measure, then milestone, then group: n sessions assessed, n_clusters their patients.
    Raises: GraftledgerError for an unknown field.
    Source: Wilson 1927, JASA 22:209-212 (limits); the windows are common practice, no source.
    """
    fields = chosen_fields(by, registry.settings)
    values, texts = shared_values(registry.settings, as_of, chosen), shared_texts(fields, chosen)
    figures: list[Figure] = []
    with (
        kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts),
        kept(
            registry,
            "contact_day",
            ("contact_day",),
            {"latest_close": LATEST_CLOSE},
            {"contact_answers": CONTACT_ANSWERS},
        ),
    ):
        for window in WINDOW_MEASURES:
            counts = _window_counts(registry, window, texts)
            names = {"measure": window.name, "window": window.window_label}
            figures += _figures(registry, counts, fields, chosen, level, names)
        for present in PRESENT_MEASURES:
            for milestone in present.milestones:
                days = {"due": milestone.due, "opens": milestone.opens, "closes": milestone.closes}
                counts = _present_counts(registry, present, days, texts)
                window_label = f"{milestone.opens}-{milestone.closes}"
                shared = {"measure": present.name, "at": milestone.due, "window": window_label}
                figures += _figures(registry, counts, fields, chosen, level, shared)
    return tuple(figures)


def _window_counts(registry: Registry, measure: WindowMeasure, texts: Mapping[str, str]) -> pl.DataFrame:
    return rows(
        registry,
        ("chain", "onset", "window_judged", "judged_count"),
        "from judged_count order by all",
        {"window": measure.window, "closes": measure.closes, "kind": measure.kind},
        {**texts, **answer_columns(measure), "judged": "window_judged"},
    )


def _present_counts(
    registry: Registry, measure: PresentMeasure, days: Mapping[str, int], texts: Mapping[str, str]
) -> pl.DataFrame:
    return rows(
        registry,
        ("present_judged", "judged_count"),
        "from judged_count order by all",
        days,
        {**texts, **answer_columns(measure), "judged": "present_judged"},
    )


def answer_columns(measure: WindowMeasure | PresentMeasure) -> dict[str, str]:
    """The columns that hold a measure's answers on a day of contact."""
    return {part: f"{measure.name}_{part}" for part in ("answered", "positive", "seen")}


def _answers_sql() -> str:
    """The columns of all measures: does any contact of the day answer, positively, or see the event?"""
    parts = []
    measures: list[WindowMeasure | PresentMeasure] = [*WINDOW_MEASURES, *PRESENT_MEASURES]
    for measure in measures:
        columns = answer_columns(measure)
        parts.append(f"bool_or({measure.answered}) as {columns['answered']}")
        parts.append(f"coalesce(bool_or({measure.positive}), false) as {columns['positive']}")
        if isinstance(measure, WindowMeasure):
            parts.append(f"coalesce(bool_or({measure.seen}), false) as {columns['seen']}")
    return ", ".join(parts)


CONTACT_ANSWERS = _answers_sql()
"""The columns of `contact_day`."""
LATEST_CLOSE = max(
    *(window.closes for window in WINDOW_MEASURES),
    *(milestone.closes for present in PRESENT_MEASURES for milestone in present.milestones),
)
"""The last day on which a contact may matter to any of them."""


def _figures(
    registry: Registry,
    counts: pl.DataFrame,
    fields: Sequence[GroupField],
    chosen: Chosen,
    level: float,
    shared: Mapping[str, Any],
) -> list[Figure]:
    """One figure a group from sessions counted by reason."""
    by_group: dict[tuple[str, ...], dict[str | None, tuple[int, int, int]]] = {}
    columns = group_columns(fields)
    for row in counts.iter_rows(named=True):
        by_reason = by_group.setdefault(tuple(row[column] for column in columns), {})
        by_reason[row["reason"]] = (row["sessions"], row["events"], row["patients"])
    figures = []
    for group in all_groups(fields, by_group, chosen):
        reasons = by_group.get(group, {})
        n, events, patients = reasons.get(None, (0, 0, 0))
        share = wilson(events, n, level) if n else None
        figures.append(
            Figure(
                **shared,
                group=dict(zip((field.name for field in fields), group, strict=True)),
                estimate=share.estimate if share else None,
                lower=share.lower if share else None,
                upper=share.upper if share else None,
                level=level,
                n=n,
                n_unit="sessions",
                n_clusters=patients,
                events=events,
                not_counted={reason: reasons[reason][0] for reason in NOT_COUNTED_REASONS if reason in reasons},
                method="wilson",
                flags=("too_few",) if n < registry.settings.floor_denominator else (),
            )
        )
    return figures
