"""What a comparison of surgeons hands on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

import numpy as np

from ..estimators.funnel import Flag, Position
from ..estimators.over_dispersion import OverDispersion
from ..estimators.shrinkage import Shrinkage
from ..regression.spells import Floats
from .case_mix import CaseMixModel
from .measures import ComparedMeasure

WhyNot = Literal["no_sessions", "none_assessed", "too_few", "no_reference", "nothing_expected"]


@dataclass(frozen=True)
class Told:
    """A number with its limits, and how they were found."""

    estimate: float
    lower: float
    upper: float
    method: str

    def times(self, factor: float, most: float, method: str) -> Told:
        """The number in another unit, at most so much."""
        estimate, lower, upper = (min(value * factor, most) for value in (self.estimate, self.lower, self.upper))
        return Told(estimate, lower, upper, method)


@dataclass(frozen=True, eq=False)
class SurgeonResult:
    """One surgeon on one measure.

    n, patients: sessions assessed, and whose. observed of size: events of sessions, or grafts that did not grow of
    those placed. expected: by the model without this surgeon. risks: (n,) expected share of each session. variance: of
    observed by chance. ratio: observed over expected. p_adjusted: of the funnel, over all measures of the surgeon.
    flag: after control of false discoveries. why_not: why there is no comparison, or none to rely on.
    """

    surgeon: str
    n: int
    patients: int
    observed: int
    size: int
    not_counted: Mapping[str, int]
    expected: float | None = None
    risks: Floats = field(default_factory=lambda: np.zeros(0))
    variance: float = 0.0
    ratio: Told | None = None
    indirect: Told | None = None
    direct: Told | None = None
    shrunken: Told | None = None
    reliability: float | None = None
    cases_needed: int | None = None
    position: Position | None = None
    p_adjusted: float | None = None
    flag: Flag = ""
    why_not: WhyNot | None = None

    @property
    def std_error(self) -> float:
        """Standard error of the ratio, by chance, at 1."""
        assert self.expected
        return math.sqrt(self.variance) / self.expected


@dataclass(frozen=True, eq=False)
class MeasureComparison:
    """All surgeons on one measure over one period.

    share: of all surgeons together. assessed: share of their sessions of which the outcome is told.
    """

    measure: ComparedMeasure
    model: CaseMixModel
    first_on: date
    last_on: date
    results: Mapping[str, SurgeonResult]
    dispersion: OverDispersion | None
    shrinkage: Shrinkage | None
    share: float | None
    assessed: float

    def enough(self, floor: int) -> tuple[str, ...]:
        """Surgeons with enough cases to be compared."""
        return tuple(code for code, result in self.results.items() if result.ratio is not None and result.n >= floor)
