"""The counts of several registries added up, once it is sure that they may be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import polars as pl

from registry.errors import Fault, GraftledgerError
from registry.settings import Settings

from ..complication_code import REASONS
from ..complication_counts import ClassCounts, EventCounts, WindowCounts
from ..groups import GroupField, chosen_fields
from ..next_session.spells import GroupTables
from ..session_shares import Reasons
from .model import COUNTED, GraftSums, Movements, OfClass, OfKind, SiteCounts, risk_table
from .protecting import all_in_months

Group = tuple[str, ...]
Part = TypeVar("Part")
_ALIKE: Mapping[str, str] = {
    "by": "the fields that the counts are split by",
    "age_edges": "the age bands of the settings",
    "mature_window": "the time of a mature count in the settings",
    "kinds": "the kinds of complication",
    "severities": "the severities",
    "windows": "the windows of complications",
}
"""What must be alike in every file, and how to say it."""


@dataclass(frozen=True)
class Pooled:
    """Counts of all the sites together, in the shapes that figures are made of.

    by_cause: waits for a next session by what ended them. anywhere: with a table a source. after: sessions by measure
    and time. windows: by name. grafts: rows by group and reason.
    """

    settings: Settings
    fields: tuple[GroupField, ...]
    by_cause: Mapping[Group, GroupTables]
    anywhere: Mapping[Group, GroupTables]
    after: Mapping[tuple[str, int | None], Mapping[Group, Reasons]]
    windows: Mapping[str, WindowCounts]
    grafts: Mapping[Group, Mapping[str | None, Mapping[str, Any]]]
    sources: tuple[SiteCounts, ...]

    @property
    def in_months(self) -> bool:
        return any(source.protection.days == "months" for source in self.sources)


def pool(files: Sequence[tuple[str, SiteCounts]]) -> Pooled:
    """Add up the counts of several files.

    Every number in a file is a sum over patients, and no patient is in two files; so the sums over all patients are the
    sums of the files', and figures made of them are those of the pooled records. Where one file has its days in months,
    those of all are put to months. files: name and counts.
    Raises: GraftledgerError where a site or the same records are in two files, or files were counted by other rules.
    """
    if not files:
        raise GraftledgerError("Give at least one file of counts.")
    _refuse_twice(files)
    _refuse_other_rules(files)
    sources = tuple(found for _, found in files)
    coarse = any(source.protection.days == "months" for source in sources)
    counts = [all_in_months(source) if coarse else source for source in sources]
    asked = counts[0].asked
    settings = Settings(
        practice="",
        sites=tuple(sorted(site for found in counts for site in found.sites)),
        surgeons=(),
        floor_at_risk=max(found.floors.at_risk for found in counts),
        floor_denominator=max(found.floors.denominator for found in counts),
        age_edges=asked.age_edges,
        mature_window=asked.mature_window,
    )
    return Pooled(
        settings=settings,
        fields=chosen_fields(asked.by, settings),
        by_cause={
            group: GroupTables({"here": _table(part.here for part in parts)}, _reasons(part.patients for part in parts))
            for group, parts in _grouped(counts, lambda found: found.next_session, lambda part: part.group).items()
        },
        anywhere={
            group: GroupTables(
                {
                    "here": _plain(_table(part.here for part in parts)),
                    "elsewhere": _plain(_table(part.elsewhere for part in parts)),
                },
                _reasons(part.patients for part in parts),
            )
            for group, parts in _grouped(
                counts, lambda found: found.next_session_anywhere, lambda part: part.group
            ).items()
        },
        after=_after(counts),
        windows=_windows(counts),
        grafts=_grafts(counts),
        sources=sources,
    )


def _refuse_twice(files: Sequence[tuple[str, SiteCounts]]) -> None:
    faults, by_site, by_snapshot = [], dict[str, str](), dict[str, str]()
    for name, found in files:
        if found.snapshot in by_snapshot:
            mend = "Name each file once." if by_snapshot[found.snapshot] == name else "Leave one of them out."
            faults.append(Fault(f"it holds the same records as {by_snapshot[found.snapshot]}.", name, mend=mend))
            continue
        for site in found.sites:
            if site in by_site:
                faults.append(
                    Fault(
                        f"site {site} is also in {by_site[site]}, so its patients would count twice.",
                        name,
                        field="sites",
                        mend="Leave out the older file; where two practices use one code, one of them changes it.",
                    )
                )
            by_site[site] = name
        by_snapshot[found.snapshot] = name
    if faults:
        raise GraftledgerError(*faults)


def _refuse_other_rules(files: Sequence[tuple[str, SiteCounts]]) -> None:
    (first_name, first), *others = files
    faults = []
    for name, found in others:
        if found.program != first.program:
            faults.append(
                Fault(
                    f"it was made by version {found.program} of graftledger, {first_name} by {first.program}.",
                    name,
                    field="program",
                    mend="Make all files with one version.",
                )
            )
        for field, words in _ALIKE.items():
            if getattr(found.asked, field) != getattr(first.asked, field):
                faults.append(
                    Fault(
                        f"{words} are not those of {first_name}.",
                        name,
                        field=field,
                        mend="Agree on one way of counting, and export anew.",
                    )
                )
    if faults:
        raise GraftledgerError(*faults)


def _grouped(
    counts: Iterable[SiteCounts], parts: Callable[[SiteCounts], Iterable[Part]], key: Callable[[Part], Any]
) -> dict[Any, list[Part]]:
    """The parts of all files that belong together."""
    found: dict[Any, list[Part]] = {}
    for one in counts:
        for part in parts(one):
            found.setdefault(key(part), []).append(part)
    return found


def _table(movements: Iterable[Movements]) -> pl.DataFrame:
    """One risk table: movements of a day added up, and how many are at risk from them."""
    days = pl.concat([risk_table(one).drop("at_risk") for one in movements], how="vertical")
    together = days.group_by("day").agg(pl.all().sum()).sort("day")
    columns = {name: tuple(together.get_column(name).to_list()) for name in together.columns}
    events = {name.removeprefix("events_"): column for name, column in columns.items() if name.startswith("events_")}
    return risk_table(
        Movements(day=columns["day"], entered=columns["entered"], events=events, censored=columns["censored"])
    )


def _plain(table: pl.DataFrame) -> pl.DataFrame:
    """A table with one kind of event."""
    return table.rename({"events_next_session": "events"})


def _added(counters: Iterable[Mapping[str, int]]) -> dict[str, int]:
    total: Counter[str] = Counter()
    for counter in counters:
        total.update(counter)
    return dict(total)


def _reasons(counters: Iterable[Mapping[str, int]]) -> dict[str | None, int]:
    """Reasons as figures take them: None for those counted."""
    return {None if reason == COUNTED else reason: n for reason, n in _added(counters).items()}


def _after(counts: Sequence[SiteCounts]) -> dict[tuple[str, int | None], dict[Group, Reasons]]:
    found: dict[tuple[str, int | None], dict[Group, Reasons]] = {}
    grouped = _grouped(counts, lambda one: one.complications, lambda part: (part.measure, part.at, part.group))
    for (measure, at, group), parts in grouped.items():
        n, events, patients = (_reasons(getattr(part, name) for part in parts) for name in ("n", "events", "patients"))
        found.setdefault((measure, at), {})[group] = {
            reason: (n[reason], events.get(reason, 0), patients.get(reason, 0)) for reason in n
        }
    return found


def _windows(counts: Sequence[SiteCounts]) -> dict[str, WindowCounts]:
    found: dict[str, WindowCounts] = {}
    grouped = _grouped(counts, lambda one: one.complications_of_every_kind, lambda part: part.window)
    for window, parts in grouped.items():
        classes: dict[Group, dict[str, list[OfClass]]] = {}
        kinds: dict[tuple[Group, str, str], list[OfKind]] = {}
        for part in parts:
            for name, of_class in part.classes.items():
                classes.setdefault(part.group, {}).setdefault(name, []).append(of_class)
            for kind in part.kinds:
                kinds.setdefault((part.group, kind.kind, kind.severity), []).append(kind)
        found[window] = WindowCounts(
            {
                group: {name: _class_counts(several) for name, several in by_class.items()}
                for group, by_class in classes.items()
            },
            {key: _event_counts(several) for key, several in kinds.items()},
        )
    return found


def _class_counts(parts: Sequence[OfClass]) -> ClassCounts:
    reasons = _added(part.reasons for part in parts)
    return ClassCounts(
        sum(part.n for part in parts),
        sum(part.patients for part in parts),
        sum(part.sum_xx for part in parts),
        {reason: reasons[reason] for reason in REASONS if reason in reasons},
    )


def _event_counts(parts: Sequence[OfKind]) -> EventCounts:
    return EventCounts(
        _reasons(part.events for part in parts),
        _reasons(part.undated for part in parts),
        _reasons(part.straddling for part in parts),
        sum(part.sum_yy for part in parts),
        sum(part.sum_xy for part in parts),
    )


def _grafts(counts: Sequence[SiteCounts]) -> dict[Group, dict[str | None, dict[str, Any]]]:
    found: dict[Group, dict[str | None, dict[str, Any]]] = {}
    for group, parts in _grouped(counts, lambda one: one.graft_survival, lambda part: part.group).items():
        rows: dict[str | None, dict[str, Any]] = {
            reason: {"sessions": n} for reason, n in _reasons(part.sessions for part in parts).items()
        }
        sums = [part.sums for part in parts if part.sums]
        if sums:
            rows[None] = {name: sum(getattr(one, name) for one in sums) for name in GraftSums.model_fields}
        found[group] = rows
    return found
