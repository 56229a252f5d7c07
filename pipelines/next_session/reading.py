"""From a curve read at a day to a figure: what may be shown, and what it is flagged with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from registry.durations import years

from ..estimators import SurvivalCurve, survival_at
from ..figure import Figure
from .spells import GroupTables

DEFAULT_AT_DAYS = tuple(years(count) for count in (1, 2, 3, 5, 10))


class Read(Protocol):
    """A curve at one day, as every estimator of curves gives it."""

    @property
    def at_days(self) -> int: ...
    @property
    def estimate(self) -> float | None: ...
    @property
    def lower(self) -> float | None: ...
    @property
    def upper(self) -> float | None: ...
    @property
    def at_risk(self) -> int: ...
    @property
    def events(self) -> int: ...
    @property
    def reason(self) -> str | None: ...


@dataclass(frozen=True)
class Subject:
    """What the figures of one curve share.

    floor: a figure with fewer at risk is flagged. n, n_unit, n_clusters: who is counted, patients unless said
    otherwise.
    """

    measure: str
    method: str
    floor: int
    group: dict[str, str]
    tables: GroupTables
    level: float
    n: int
    n_unit: str = "patients"
    n_clusters: int | None = None


def figure_at(subject: Subject, read: Read, fewest_at_risk: int | None) -> Figure:
    """One figure. fewest_at_risk: at some time up to the day; None where nobody is seen from the session on.

    Time runs from the session on, so nothing is shown where everybody was enrolled later.
    """
    known = read.estimate is not None and fewest_at_risk is not None
    fewest = min(read.at_risk, fewest_at_risk or 0) if known else 0
    flags: tuple[str, ...] = ()
    if subject.n and read.reason == "beyond_follow_up":
        flags = ("beyond_follow_up",)
    elif fewest < subject.floor:
        flags = ("too_few",)
    return Figure(
        subject.measure,
        subject.n,
        subject.n_unit,
        subject.method,
        group=subject.group,
        at=read.at_days,
        estimate=read.estimate if known else None,
        lower=read.lower if known else None,
        upper=read.upper if known else None,
        level=subject.level,
        n_clusters=subject.n if subject.n_clusters is None else subject.n_clusters,
        events=read.events,
        at_risk=read.at_risk,
        not_counted=subject.tables.not_counted,
        flags=flags,
    )


@dataclass(frozen=True)
class _Turned:
    """A share that has had the event, from the share that has not."""

    at_days: int
    estimate: float | None
    lower: float | None
    upper: float | None
    at_risk: int
    events: int
    reason: str | None


def event_figures(subject: Subject, curve: SurvivalCurve, at_days: Sequence[int]) -> list[Figure]:
    """The share that has had the event by each day, from the curve of those who have not."""
    figures = []
    for read in survival_at(curve, at_days, subject.level):
        turned = _Turned(
            read.at_days,
            complement(read.estimate),
            complement(read.upper),
            complement(read.lower),
            read.at_risk,
            read.events,
            read.reason,
        )
        seen = read.estimate is not None and curve.first_day == 0
        figures.append(figure_at(subject, turned, curve.fewest_trials(read.at_days) if seen else None))
    return figures


def complement(share: float | None) -> float | None:
    """What is left of one."""
    return None if share is None else 1.0 - share
