"""What a file of counts holds: numbers of patients and sessions, and sums over them; no key, no date of anybody."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Literal, Self

import polars as pl
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from ..figure import NOT_COUNTED_REASONS

FORMAT: Literal["graftledger counts"] = "graftledger counts"
VERSION: Literal[1] = 1
"""VERSION goes up when the content of a file, or a rule by which it is counted, changes."""
COUNTED = "counted"
"""Stands among the reasons for those who are counted."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


Count = Annotated[int, Field(ge=0, lt=2**53)]
Text = Annotated[str, Field(min_length=1, max_length=100)]
Group = tuple[Text, ...]
"""The value of each field of `by`, in its order; empty where the counts are not split."""


def _known(reasons: dict[str, Count]) -> dict[str, Count]:
    unknown = sorted(set(reasons) - {COUNTED, *NOT_COUNTED_REASONS})
    if unknown:
        raise ValueError(f"there is no reason {unknown[0]}")
    return reasons


Reasons = Annotated[dict[str, Count], AfterValidator(_known)]
"""How many by reason: `counted`, or why they are not."""


class Movements(_Part):
    """Who leaves observation and who enters it late, by day since the session: columns of equal length.

    day: ascending. entered: at risk from the next day on. events: by what ended the wait. censored: left without.
    """

    day: tuple[Count, ...]
    entered: tuple[Count, ...]
    events: dict[str, tuple[Count, ...]]
    censored: tuple[Count, ...]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        columns: list[Sequence[int]] = [self.entered, self.censored, *self.events.values()]
        if any(len(column) != len(self.day) for column in columns):
            raise ValueError("its columns differ in length")
        if list(self.day) != sorted(set(self.day)):
            raise ValueError("its days do not ascend")
        return self

    @property
    def people(self) -> int:
        """How many are in it: everybody leaves once."""
        return sum(map(sum, self.events.values())) + sum(self.censored)


class NextSession(_Part):
    """The wait for a next session here, of one group, by what ended it."""

    group: Group
    patients: Reasons
    here: Movements


class Anywhere(_Part):
    """The wait for a next session here or elsewhere: one table a source, as each is seen for another time."""

    group: Group
    patients: Reasons
    here: Movements
    elsewhere: Movements


class AfterSession(_Part):
    """Sessions followed by a complication the audit asks for. n, events, patients: by reason."""

    measure: Text
    at: Count | None
    group: Group
    n: Reasons
    events: Reasons
    patients: Reasons


class OfClass(_Part):
    """Sessions of which it can be told, by class of kinds. sum_xx: squares of a patient's sessions, added up."""

    n: Count
    patients: Count
    sum_xx: Count
    reasons: Reasons


class OfKind(_Part):
    """Sessions with a complication. sum_yy: squares of a patient's events; sum_xy: times the patient's sessions."""

    kind: Text
    severity: Text
    events: Reasons
    undated: Reasons
    straddling: Reasons
    sum_yy: Count
    sum_xy: Count


class InWindow(_Part):
    """Every kind of complication within a window, of one group."""

    window: Text
    group: Group
    classes: dict[str, OfClass]
    kinds: tuple[OfKind, ...]


class GraftSums(_Part):
    """Areas counted when mature, and sums over patients of what was placed (x) and what grew (y)."""

    patients: Count
    areas: Count
    areas_above: Count
    x: Count
    y: Count
    y_capped: Count
    xx: Count
    xy: Count
    xy_capped: Count
    yy: Count
    yy_capped: Count


class Grafts(_Part):
    """Graft survival of one group. sessions: those not counted, by reason."""

    group: Group
    sums: GraftSums | None
    sessions: Reasons


class Asked(_Part):
    """What was counted, and by which rules that a practice may set; alike in all files that are pooled."""

    by: tuple[Text, ...]
    age_edges: tuple[Count, ...]
    mature_window: tuple[Count, Count]
    kinds: tuple[Text, ...]
    severities: tuple[Text, ...]
    windows: tuple[Text, ...]


class LeftOut(_Part):
    """Counts that were left out because fewer patients stand behind them than may be shown."""

    part: Text
    group: Group


class Protection(_Part):
    """How small numbers are protected. fewest: patients behind a number, or it is left out; 1 leaves nothing out."""

    days: Literal["exact", "months"]
    fewest: Annotated[int, Field(ge=1, le=1000)]
    left_out: tuple[LeftOut, ...]


class Floors(_Part):
    """A figure that rests on fewer is flagged."""

    at_risk: Count
    denominator: Count


class SiteCounts(_Part):
    """All that one registry shares. snapshot: of its records. sites: whose records they are."""

    format: Literal["graftledger counts"]
    version: Literal[1]
    program: Text
    snapshot: Text
    data_date: Annotated[date, Field(strict=False)] | None
    sites: Annotated[tuple[Text, ...], Field(min_length=1)]
    asked: Asked
    floors: Floors
    protection: Protection
    next_session: tuple[NextSession, ...]
    next_session_anywhere: tuple[Anywhere, ...]
    complications: tuple[AfterSession, ...]
    complications_of_every_kind: tuple[InWindow, ...]
    graft_survival: tuple[Grafts, ...]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        parts: dict[str, list[tuple[object, ...]]] = {
            "next_session": [(part.group,) for part in self.next_session],
            "next_session_anywhere": [(part.group,) for part in self.next_session_anywhere],
            "complications": [(part.group, part.measure, part.at) for part in self.complications],
            "complications_of_every_kind": [(part.group, part.window) for part in self.complications_of_every_kind],
            "graft_survival": [(part.group,) for part in self.graft_survival],
        }
        for name, keys in parts.items():
            if len(set(keys)) != len(keys):
                raise ValueError(f"a group stands twice in {name}")
            if any(len(group) != len(self.asked.by) for group, *_ in keys):  # type: ignore[arg-type]
                raise ValueError(f"a group in {name} has not one value for each field of by")
        tables: list[NextSession | Anywhere] = [*self.next_session, *self.next_session_anywhere]
        for waits in tables:
            if waits.here.people != waits.patients.get(COUNTED, 0):
                raise ValueError("a table of days holds other than the patients counted")
        return self


def risk_table(movements: Movements) -> pl.DataFrame:
    """What the estimators take: the movements with how many are at risk on each day."""
    names = {f"events_{name}": pl.Series(column, dtype=pl.Int64) for name, column in movements.events.items()}
    columns = {"day": movements.day, "entered": movements.entered}
    table = pl.DataFrame(
        {
            **{name: pl.Series(column, dtype=pl.Int64) for name, column in columns.items()},
            **names,
            "censored": pl.Series(movements.censored, dtype=pl.Int64),
        }
    )
    leaving = pl.sum_horizontal(*names, "censored")
    # at risk on a day: those who leave on it or later, less those who enter on it or later
    return table.select(
        "day",
        (leaving - pl.col("entered")).cum_sum(reverse=True).alias("at_risk"),
        "entered",
        *names,
        "censored",
    )
