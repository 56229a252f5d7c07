"""The rows of a comparison: one a session here, with its outcome, its surgeon and what its patient brought along."""

from __future__ import annotations

from datetime import date

import polars as pl

from registry.store import Registry

from .._queries import rows
from ..figure import NOT_COUNTED_REASONS
from ..graft_survival import COUNT_STEPS, count_texts, count_values
from ..groups import shared_texts, shared_values
from ..session_answers import kept_answers
from .measures import ComparedMeasure

_SORTED = "from case_mix_session order by performed_on, session_key"


def compared_sessions(registry: Registry, measure: ComparedMeasure, *, as_of: date | None = None) -> pl.DataFrame:
    """Every session here, in the order of surgery; who counts is decided by the rules of the measure's own figures.

    reason: why a session is not counted, null where it is. observed, weight: 1 or 0 of 1 session, or, of placed grafts,
    those that did not grow (below 0 where more were counted than placed). Then surgeon, site, day, who harvested and
    placed, and the factors of the patient.
    as_of: what happened later is ignored.
    """
    if measure.model == "grafts":
        table = rows(
            registry,
            (*COUNT_STEPS, "growth", "case_mix_session"),
            _SORTED,
            {**shared_values(registry.settings, as_of), **count_values(registry.settings.mature_window)},
            {**shared_texts(()), **count_texts(), "groups": "s.session_key,", "judged": "growth"},
        )
        return table.with_columns(
            (pl.col("placed") - pl.col("growing")).cast(pl.Float64).alias("observed"),
            pl.col("placed").cast(pl.Float64).alias("weight"),
        )
    assert measure.outcome is not None
    asked = measure.outcome.question
    with kept_answers(registry, shared_values(registry.settings, as_of), shared_texts(())):
        table = rows(
            registry,
            (*asked.steps, "case_mix_session"),
            _SORTED,
            asked.days,
            {**asked.texts, "groups": "s.session_key,", "judged": asked.steps[-1]},
        )
    return table.with_columns(pl.col("had_event").cast(pl.Float64).alias("observed"), pl.lit(1.0).alias("weight"))


def within(table: pl.DataFrame, first_on: date, last_on: date) -> pl.DataFrame:
    """The sessions of a period, by the day of surgery."""
    return table.filter(pl.col("performed_on").is_between(first_on, last_on))


def counted(table: pl.DataFrame) -> pl.DataFrame:
    """The sessions of which the outcome can be told."""
    return table.filter(pl.col("reason").is_null())


def reasons(table: pl.DataFrame) -> dict[str, int]:
    """How many sessions are not counted, by reason."""
    found = dict(table.filter(pl.col("reason").is_not_null()).group_by("reason").len().rows())
    return {reason: found[reason] for reason in NOT_COUNTED_REASONS if reason in found}
