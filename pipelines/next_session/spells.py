"""Spells from a session to the next, folded in the database: one row a group and day, however many patients."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import polars as pl

from registry.errors import GraftledgerError
from registry.store import Registry

from .._queries import SESSION_HERE, kept, rows
from ..figure import NOT_COUNTED_REASONS
from ..groups import NOT_RECORDED, Chosen, GroupField, all_groups, group_columns, shared_texts, shared_values
from .estimands import ENROLLED_FOR_SESSION_DAYS, SessionNumber

Group = tuple[str, ...]

NOT_LISTED = "not in the settings"
"""A site or surgeon that the settings no longer have."""


@dataclass(frozen=True)
class Request:
    """Whose time to the next session is asked for, and how it is split.

    number: the sessions that start a clock; None: each patient's first here. as_of: what happened, or became known,
    later is ignored.
    """

    registry: Registry
    fields: tuple[GroupField, ...]
    chosen: Chosen
    number: SessionNumber | None
    as_of: date | None

    @property
    def floor(self) -> int:
        """A figure with fewer at risk is flagged."""
        return self.registry.settings.floor_at_risk

    @property
    def values(self) -> dict[str, Any]:
        """What the steps bind."""
        number = self.number
        return shared_values(self.registry.settings, self.as_of, self.chosen) | {
            "every_session": any(field.name == "session_number" for field in self.fields),
            "from_number": number.first if number else None,
            "to_number": (number.last or 99) if number else None,
            "not_before": ENROLLED_FOR_SESSION_DAYS,
            **{f"values_{column}": values for column, values in self.coded.items()},
        }

    @property
    def coded(self) -> dict[str, list[str]]:
        """The group columns whose values are listed, with their values in the order of their codes, 1 the first."""
        columns = group_columns(self.fields)
        return {
            column: [*field.values, NOT_RECORDED, NOT_LISTED]
            for column, field in zip(columns, self.fields, strict=True)
            if field.values is not None
        }

    @property
    def of_all(self) -> Request:
        """The same of all groups together."""
        return replace(self, fields=())

    @property
    def group_texts(self) -> dict[str, str]:
        """The group columns as text, for folds."""
        return {"groups": shared_texts(self.fields)["groups"]}

    def fold(self, steps: Sequence[str], texts: Mapping[str, str]) -> pl.DataFrame:
        """The rows of the last of some steps over the spells that are kept, with the values of groups in words."""
        table = rows(self.registry, steps, f"from {steps[-1]} order by all", {}, texts)
        return table.with_columns(
            pl.col(column).replace_strict(dict(enumerate(values, start=1)), return_dtype=pl.String)
            for column, values in self.coded.items()
        )

    def named(self, group: Group) -> dict[str, str]:
        """The group as a figure names it."""
        asked = {"session_number": self.number.label} if self.number else {}
        return asked | dict(zip((field.name for field in self.fields), group, strict=True))


@dataclass(frozen=True)
class GroupTables:
    """What the estimators see of one group.

    risk: risk tables by ending. counted: patients by reason; None for those counted.
    """

    risk: Mapping[str, pl.DataFrame]
    counted: Mapping[str | None, int]

    @property
    def n(self) -> int:
        return self.counted.get(None, 0)

    @property
    def not_counted(self) -> dict[str, int]:
        return {reason: self.counted[reason] for reason in NOT_COUNTED_REASONS if reason in self.counted}


@contextmanager
def kept_spells(
    request: Request, steps: Sequence[str], causes: Sequence[str] = (), texts: Mapping[str, str] | None = None
) -> Iterator[dict[str, str]]:
    """Keep the spells of the last step, with why some cannot be counted; gives the texts that further steps need.

    causes: what may end a spell, where there are several; the spells then name it in `ended_by`.
    """
    all_texts = {
        **shared_texts(request.fields, request.chosen),
        "coded_groups": " ".join(
            f"coalesce(nullif(list_position($values_{column}, {column}), 0), {len(values)})::usmallint as {column},"
            for column, values in request.coded.items()
        ),
        "spell": steps[-1],
        "ended_by": "ended_by, had_event" if causes else "had_event",
        "event_sums": ", ".join(
            [f"sum(if(ended_by = '{cause}', n, 0)) as events_{cause}" for cause in causes]
            or ["sum(if(had_event, n, 0)) as events"]
        ),
        "event_totals": ", ".join(f"coalesce(sum({name}), 0)::bigint as {name}" for name in event_names(causes)),
        **(texts or {}),
    }
    steps = (*SESSION_HERE, *steps, "judged_spell", "coded_spell")
    with kept(request.registry, "coded_spell", steps, request.values, all_texts):
        yield all_texts


def event_names(causes: Sequence[str]) -> list[str]:
    """The event columns of a risk table."""
    return [f"events_{cause}" for cause in causes] or ["events"]


def group_tables(
    request: Request,
    steps: Sequence[str],
    causes: Sequence[str] = (),
    texts: Mapping[str, str] | None = None,
    *,
    first_operated: str = "here",
) -> dict[Group, GroupTables]:
    """Risk tables and counts of each group to be shown, in the order to show them."""
    with kept_spells(request, steps, causes, texts) as all_texts:
        return folded(request, all_texts, causes, first_operated=first_operated)


def folded(
    request: Request, texts: Mapping[str, str], causes: Sequence[str] = (), *, first_operated: str = "here"
) -> dict[Group, GroupTables]:
    """As `group_tables`, from spells that are kept."""
    registry = request.registry
    with kept(registry, "spell_count", ("spell_count",), {}, texts):
        risk = request.fold(("movement", "risk_day"), texts)
        patients = request.fold(("patient_count",), texts)
    columns = group_columns(request.fields)
    counted: dict[Group, dict[str | None, int]] = {}
    for *group, operated, reason, n in patients.select(*columns, "first_operated", "reason", "n").rows():
        if operated != first_operated:
            if first_operated != "here":
                continue
            reason = "not_first_here"
        reasons = counted.setdefault(tuple(group), {})
        reasons[reason] = reasons.get(reason, 0) + n
    kept_columns = ["day", "at_risk", "entered", *event_names(causes), "censored"]
    tables: dict[Group, dict[str, pl.DataFrame]] = {}
    chosen = risk.filter(pl.col("first_operated") == first_operated)
    for key, part in chosen.partition_by([*columns, "ending"], as_dict=True).items():
        *group, ending = key
        tables.setdefault(tuple(group), {})[str(ending)] = part.select(kept_columns)
    found = [tuple(row) for row in patients.select(columns).unique().rows()] if columns else []
    return {
        group: GroupTables(tables.get(group, {}), counted.get(group, {}))
        for group in all_groups(request.fields, found, request.chosen)
    }


def nobody(causes: Sequence[str] = ()) -> pl.DataFrame:
    """A risk table of nobody."""
    names = ("day", "at_risk", "entered", *event_names(causes), "censored")
    return pl.DataFrame(schema=dict.fromkeys(names, pl.Int64))


def people_in(risk: pl.DataFrame) -> int:
    """How many people a risk table holds: everybody leaves once, with the event or without."""
    return int(risk.select(pl.sum_horizontal("events", "censored").sum()).item() or 0)


def refuse_negative(at_days: Sequence[int]) -> None:
    if any(day < 0 for day in at_days):
        raise GraftledgerError("A time since the session cannot be negative.")
