"""What lasts after a session, or is waited for, and is known from looks alone: each measure written once."""

from __future__ import annotations

from dataclasses import dataclass

from registry.durations import months
from registry.errors import GraftledgerError, nearest
from registry.milestones import DAY_7, MONTH_3, MONTH_6

from .measures import PRESENT_MEASURES

WEEK = 7
FINE_UNTIL, COARSE = 104 * WEEK, 4 * WEEK
"""Up to this day of a session a measure's own grid holds, later one of so many days: visits are a year apart by then,
and hundreds of weeks, each looked at by few, would take most of the time of drawing patients anew."""


@dataclass(frozen=True)
class DurationMeasure:
    """A state after every session, until it ends for good. Its denominator is all sessions at which somebody looked.

    of: what. label: how to say the share in whom it still is. answered, present: SQL predicates over a visit: was it
    looked for, and was it (still) there? kind: complication records that tell of it too.
    from_day: the first day on which "gone" means over: by then it has begun wherever it ever will. Earlier looks are
    not used, whatever they found. first_look_by: the day by which a first look is due.
    grid_days: looks of the first two years are rounded to the nearest multiple of it (`on_grid`). at_days: when to read
    the share, unless asked.
    present_before: predicate over what contacts tell of a session (`session_contact.sql`): was it there before surgery?
    Such sessions are not counted.
    """

    of: str
    label: str
    answered: str
    present: str
    from_day: int
    first_look_by: int
    at_days: tuple[int, ...]
    grid_days: int = WEEK
    kind: str | None = None
    present_before: str = "false"

    @property
    def name(self) -> str:
        """Measure of the share in whom it still is; between its bounds."""
        return f"{self.of}_still"

    @property
    def at_least(self) -> str:
        return f"{self.of}_still_at_least"

    @property
    def at_most(self) -> str:
        return f"{self.of}_still_at_most"

    @property
    def never_at_most(self) -> str:
        """Measure of the bound on the share in whom it never ends."""
        return f"{self.of}_never_over_at_most"

    @property
    def conflict(self) -> str:
        """Measure of the share with answers that conflict: gone, then there again."""
        return f"{self.of}_gone_then_back"

    @property
    def by_law(self) -> str:
        """Measure of the share in whom it still is, by a law with a formula."""
        return f"{self.of}_still_by_law"

    def on_grid(self, day: int) -> int:
        """The nearest day of the grid; halves go up. `duration_interval.sql` does the same.

        >>> [duration_measure("numbness-donor").on_grid(day) for day in (365, 731, 1096)]
        [364, 728, 1092]
        """
        from_day, step = (0, self.grid_days) if day <= FINE_UNTIL else (FINE_UNTIL, COARSE)
        return from_day + (2 * (day - from_day) + step) // (2 * step) * step


_NUMB_AT = tuple(months(count) for count in (3, 6, 9, 12, 24))
_KIND_OF_NUMBNESS = {"numbness": "numbness"}
"""A complication record of numbness names no area, so it tells of numbness anywhere alone."""

DURATION_MEASURES: tuple[DurationMeasure, ...] = (
    *(
        DurationMeasure(
            present.name,
            f"{present.label}: still there",
            answered=present.answered,
            present=present.positive,
            # by then anaesthesia has worn off, and whatever will be numb is
            from_day=DAY_7.opens,
            first_look_by=DAY_7.closes,
            at_days=_NUMB_AT,
            kind=_KIND_OF_NUMBNESS.get(present.name),
            present_before="c.sensation_was_reduced",
        )
        for present in PRESENT_MEASURES
    ),
    DurationMeasure(
        "swelling",
        "Swelling: still there",
        answered="swelling_now is not null",
        present="swelling_now <> 'none'",
        from_day=DAY_7.opens,
        first_look_by=DAY_7.closes,
        at_days=(7, 10, 14),
        grid_days=1,
        kind="swelling",
    ),
    DurationMeasure(
        "crusts",
        "Crusts: still there",
        answered="crusts_present is not null",
        present="crusts_present",
        from_day=DAY_7.opens,
        first_look_by=DAY_7.closes,
        at_days=(7, 10, 12, 14, 21),
        grid_days=1,
    ),
    DurationMeasure(
        "shedding",
        "Shedding: still going on",
        answered="shedding_seen is not null",
        present="shedding_seen",
        from_day=3 * WEEK,
        first_look_by=MONTH_3.closes,
        at_days=(6 * WEEK, months(2), months(3), months(4)),
    ),
    DurationMeasure(
        "first_growth",
        "First new growth: still awaited",
        answered="new_growth_visible is not null",
        present="not new_growth_visible",
        # stubs of what was placed stand until they are shed
        from_day=3 * WEEK,
        first_look_by=MONTH_6.closes,
        at_days=tuple(months(count) for count in (2, 3, 4, 6, 9)),
    ),
)
"""First days: swelling begins within five days, crusts within two, shedding within three weeks (common practice, no
source)."""

DURATION_LABELS: dict[str, str] = {
    label: text
    for measure in DURATION_MEASURES
    for label, text in (
        (measure.name, measure.label),
        (measure.at_least, f"{measure.label}, at least"),
        (measure.at_most, f"{measure.label}, at most"),
        (measure.by_law, f"{measure.label}, by a law"),
        (measure.never_at_most, f"{measure.label.partition(':')[0]}: never over, at most"),
        (measure.conflict, f"{measure.label.partition(':')[0]}: found over, then not"),
    )
}
"""Every measure that the analysis gives, and how to say it."""


def duration_measure(of: str) -> DurationMeasure:
    """The measure of that name; hyphens stand for underscores.

    Raises: GraftledgerError for an unknown name (naming the nearest).
    """
    known = {measure.of: measure for measure in DURATION_MEASURES}
    wanted = of.replace("-", "_")
    if wanted not in known:
        names = [name.replace("_", "-") for name in known]
        raise GraftledgerError(f"There is no duration of '{of}'. {nearest(of, names)}")
    return known[wanted]
