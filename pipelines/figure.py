"""The figure: the one shape of every result that leaves the project."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

REASON_LABELS: Mapping[str, str] = {
    "not_due": "not due yet",
    "died": "died",
    "not_reached": "could not be reached or left care",
    "missed_visit": "no contact in time",
    "item_empty": "not asked throughout",
    "operated_again": "operated on again before",
    "no_consent": "no consent",
    "held_back": "held back at intake",
    "no_declaration": "site has declared no records complete",
    "no_start_date": "no session here with an exact date",
    "not_first_here": "first operated on elsewhere",
    "enrolled_late": "enrolled after observation had ended",
    "had_one_before": "had a next session before enrolment",
    "enrolled_for_session": "enrolled for a session",
    "present_before": "there before surgery already",
    "dates_shifted": "dates shifted by the site",
    "covariate_missing": "a covariate of the model is not known",
    "not_counted": "other",
}
"""Why an eligible record is not in a denominator, and how to say it."""

NOT_COUNTED_REASONS = tuple(REASON_LABELS)
"""Every reason. Adding one to REASON_LABELS is the only way to use it."""

FLAG_LABELS: Mapping[str, str] = {
    "too_few": "too few",
    "beyond_follow_up": "beyond follow-up",
    "suppressed": "suppressed",
    "alert": "alert",
    "priority_review": "priority review",
}
"""What a figure may be flagged with, and how to say it."""

FLAGS = tuple(FLAG_LABELS)


@dataclass(frozen=True)
class Figure:
    """One number with all that is needed to read it honestly.

    measure: stable name, such as `graft_survival`.
    group: strata as name and value; empty means overall.
    at: time in days where the measure has one.
    estimate, lower, upper: in natural units, shares from 0 to 1; None where the number must not be shown.
    level: confidence level of lower and upper.
    n, n_unit, n_clusters: how many, of what, in how many patients.
    events, at_risk: where they apply.
    window: days in which an event counts, such as `0-7`.
    not_counted: eligible records left out, by reason.
    method: short name of the estimator.
    flags: see FLAGS.
    """

    measure: str
    n: int
    n_unit: str
    method: str
    group: Mapping[str, str] = field(default_factory=dict)
    at: int | None = None
    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
    level: float = 0.95
    n_clusters: int | None = None
    events: int | None = None
    at_risk: int | None = None
    window: str | None = None
    not_counted: Mapping[str, int] = field(default_factory=dict)
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        numbers = (self.estimate, self.lower, self.upper)
        if any(number is not None and not math.isfinite(number) for number in numbers):
            raise ValueError(f"{self.measure}: a figure holds finite numbers or None")
        if self.estimate is not None:
            slack = 1e-12
            if self.lower is not None and self.lower > self.estimate + slack:
                raise ValueError(f"{self.measure}: lower limit above the estimate")
            if self.upper is not None and self.upper < self.estimate - slack:
                raise ValueError(f"{self.measure}: upper limit below the estimate")
        unknown = (set(self.flags) - set(FLAGS)) | (set(self.not_counted) - set(NOT_COUNTED_REASONS))
        if unknown:
            raise ValueError(f"{self.measure}: unknown flag or reason {sorted(unknown)}")

    def with_flag(self, flag: str) -> Figure:
        """The same figure, flagged; a flag stands once."""
        return self if flag in self.flags else replace(self, flags=(*self.flags, flag))

    def as_dict(self) -> dict[str, Any]:
        """Plain data with the keys in their stated order, for JSON."""
        data = asdict(self)
        order = (
            "measure",
            "group",
            "at",
            "estimate",
            "lower",
            "upper",
            "level",
            "n",
            "n_unit",
            "n_clusters",
            "events",
            "at_risk",
            "window",
            "not_counted",
            "method",
            "flags",
        )
        data["group"], data["not_counted"], data["flags"] = (
            dict(self.group),
            dict(self.not_counted),
            list(self.flags),
        )
        return {key: data[key] for key in order}
