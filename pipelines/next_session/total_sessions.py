"""How many further sessions patients have had, on average, by the time since the first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from registry.errors import GraftledgerError
from registry.store import Registry

from ..estimators import mean_at, mean_cumulative
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, chosen_fields, group_columns
from ..measures import FURTHER_SESSIONS
from .reading import DEFAULT_AT_DAYS, Subject, figure_at
from .spells import Group, Request, folded, kept_spells, refuse_negative


def further_sessions(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    at_days: Sequence[int] = DEFAULT_AT_DAYS,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Mean number of further sessions here per patient within given days of the first.

    Estimator: mean cumulative number with death as the end of all sessions, and a variance between patients
    (`estimators.mean_cumulative`). Patients are those first operated on here, seen from the first session, or the
    enrolment if later, to the day up to which the site declares its records complete, or death.
    Assumes: entry and the end of records carry no news of the sessions to come. Misleads as a number for one person:
    half a session on average may be one in two patients with one, or one in ten with five; see
    `time_to_next_session`. Sessions elsewhere are not counted.

    by, at_days, chosen, as_of, level: as `time_to_next_session`; fields as they stood at the first session.
    Returns figures by group, then day: sessions per patient, n patients, events the further sessions up to the day.
    Raises: GraftledgerError for an unknown field, session_number among them, or a negative day.
    Source: as `estimators.mean_cumulative`.
    """
    refuse_negative(at_days)
    if "session_number" in by:
        raise GraftledgerError("Further sessions are counted from the first one: do not split them by session number.")
    fields = chosen_fields(by, registry.settings)
    request = Request(registry, fields, chosen, None, as_of)
    columns = group_columns(fields)
    with kept_spells(request, ("start", "spell_sessions")) as texts:
        groups = folded(request, texts)
        table = request.fold(("session_history",), texts)
    parts: dict[Group, pl.DataFrame] = {(): table}
    if columns:
        parts = {tuple(key): part for key, part in table.partition_by(columns, as_dict=True).items()}
    figures = []
    for group, tables in groups.items():
        curve = mean_cumulative(_stretches(parts.get(group, table.clear())))
        subject = Subject(
            FURTHER_SESSIONS, "mean_cumulative", request.floor, request.named(group), tables, level, tables.n
        )
        for read in mean_at(curve, at_days, level):
            seen = read.estimate is not None and curve.counts.first_day == 0
            figures.append(figure_at(subject, read, curve.counts.smallest_at_risk(read.at_days) if seen else None))
    return tuple(figures)


def _stretches(histories: pl.DataFrame) -> pl.DataFrame:
    """Histories in counting-process form: a row for each stretch, up to a session or to the end.

    >>> history = pl.DataFrame({"entry_day": [0], "exit_day": [9], "died": [1], "session_days": [[4]], "alike": [2]})
    >>> _stretches(history).select("entry_day", "exit_day", "events", "died", "alike").rows()
    [(0, 4, 1, 0, 2), (4, 9, 0, 1, 2)]
    """
    days = pl.col("session_days").cast(pl.List(pl.Int64))
    ends = histories.select(
        "entry_day",
        "alike",
        "died",
        last_day=pl.col("exit_day"),
        session_days=days,
        exit_day=pl.concat_list(days, "exit_day").list.unique().list.sort(),
    ).with_row_index("patient")
    rows_ = ends.explode("exit_day")
    before = pl.col("exit_day").shift(1).over("patient")
    return rows_.select(
        "patient",
        "alike",
        "exit_day",
        entry_day=pl.coalesce(before, "entry_day"),
        events=pl.col("session_days").list.contains(pl.col("exit_day")).cast(pl.Int64),
        died=(pl.col("exit_day") == pl.col("last_day")).cast(pl.Int64) * pl.col("died"),
    )
