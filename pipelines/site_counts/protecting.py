"""Small numbers protected: days put together to months, and what too few patients stand behind left out."""

from __future__ import annotations

from registry.durations import months

from ..complication_kinds import class_of
from .model import COUNTED, Anywhere, InWindow, LeftOut, Movements, Protection, SiteCounts


def protected(counts: SiteCounts, *, fewest: int, months_only: bool) -> SiteCounts:
    """The counts without what fewer than `fewest` patients stand behind.

    A group, and within a group each class of complications, is left out where fewer are counted. With months_only days
    are put together to months. What stays small: numerators, and how many leave in a month. To leave numerators out
    would take out the sites with few events and make pooled shares too high. What it costs: docs/many_sites.md.
    """
    left_out: list[LeftOut] = []

    def enough(patients: int, part: str, group: tuple[str, ...]) -> bool:
        if 0 < patients < fewest:
            left_out.append(LeftOut(part=part, group=group))
            return False
        return True

    waits = [part for part in counts.next_session if enough(part.patients.get(COUNTED, 0), "next_session", part.group)]
    anywhere = [
        part for part in counts.next_session_anywhere if enough(_fewest_of(part), "next_session_anywhere", part.group)
    ]
    after = [
        part
        for part in counts.complications
        if enough(part.patients.get(COUNTED, 0), f"complications: {part.measure}", part.group)
    ]
    windows = [
        _without(
            part,
            {
                name
                for name, of in part.classes.items()
                if not enough(of.patients, f"complications {part.window}: {name}", part.group)
            },
        )
        for part in counts.complications_of_every_kind
    ]
    grafts = [
        part
        for part in counts.graft_survival
        if enough(part.sums.patients if part.sums else 0, "graft_survival", part.group)
    ]
    kept = counts.model_copy(
        update={
            "protection": Protection(days="exact", fewest=fewest, left_out=tuple(left_out)),
            "next_session": tuple(waits),
            "next_session_anywhere": tuple(anywhere),
            "complications": tuple(after),
            "complications_of_every_kind": tuple(windows),
            "graft_survival": tuple(grafts),
        }
    )
    return all_in_months(kept) if months_only else kept


def in_months(movements: Movements) -> Movements:
    """Movements at the ends of whole months since the session.

    Whoever leaves within a month leaves at its end, whoever enters within it enters at its start: so events come before
    other endings, and the share with the event comes out a little low; `too_low_by` bounds by how much.

    >>> days = Movements(day=(3, 10, 40, 50), entered=(0, 0, 0, 0), events={"e": (1, 0, 1, 0)}, censored=(0, 1, 0, 2))
    >>> in_months(days)
    Movements(day=(30, 60), entered=(0, 0), events={'e': (1, 1)}, censored=(1, 2))
    """
    columns: list[dict[int, int]] = []
    leaves = [_month_of(day) for day in movements.day]
    starts = [_month_of(day + 1) - 1 for day in movements.day]
    for month_of, numbers in (
        (starts, movements.entered),
        (leaves, movements.censored),
        *((leaves, numbers) for numbers in movements.events.values()),
    ):
        column: dict[int, int] = {}
        for month, number in zip(month_of, numbers, strict=True):
            column[month] = column.get(month, 0) + number
        columns.append({month: number for month, number in column.items() if number})
    columns[0].pop(0, None)  # whoever enters in the first month is seen from the session on
    shown = sorted(set().union(*columns))
    entered, censored, *events = (tuple(column.get(month, 0) for month in shown) for column in columns)
    return Movements(
        day=tuple(months(month) for month in shown),
        entered=entered,
        events=dict(zip(movements.events, events, strict=True)),
        censored=censored,
    )


def _month_of(day: int) -> int:
    """The first month, counted from 1, that ends on the day or later.

    >>> _month_of(0), _month_of(30), _month_of(31), _month_of(365)
    (1, 1, 2, 12)
    """
    month = max(1, day * 1200 // 36525)
    while months(month) < day:
        month += 1
    return month


def _fewest_of(part: Anywhere) -> int:
    """The fewer of those whom its two tables hold."""
    return min(part.here.people, part.elsewhere.people)


def all_in_months(counts: SiteCounts) -> SiteCounts:
    """The counts with every day put to the end of its month."""
    return counts.model_copy(
        update={
            "protection": counts.protection.model_copy(update={"days": "months"}),
            "next_session": tuple(
                part.model_copy(update={"here": in_months(part.here)}) for part in counts.next_session
            ),
            "next_session_anywhere": tuple(
                part.model_copy(update={"here": in_months(part.here), "elsewhere": in_months(part.elsewhere)})
                for part in counts.next_session_anywhere
            ),
        }
    )


def _without(part: InWindow, classes: set[str]) -> InWindow:
    return part.model_copy(
        update={
            "classes": {name: of for name, of in part.classes.items() if name not in classes},
            "kinds": tuple(kind for kind in part.kinds if class_of(kind.kind) not in classes),
        }
    )
