"""Sessions, or patients, with and without each complication in a window, counted in the database."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import polars as pl

from registry.store import Registry

from ._queries import SESSION_HERE, kept, rows, step_text
from .complication_kinds import (
    ANY,
    EVER,
    ITEMS,
    NO_END,
    RECORDS,
    SEVERITIES,
    SEVERITY_CODES,
    ComplicationMeasure,
    Window,
    class_of,
)
from .estimators import RatioSums
from .groups import Chosen, GroupField, group_columns, shared_texts, shared_values

Group = tuple[str, ...]
SESSION, PATIENT = "session", "patient"


@dataclass(frozen=True)
class ComplicationRequest:
    """What was asked for. per: `session` or `patient`."""

    registry: Registry
    fields: tuple[GroupField, ...]
    chosen: Chosen
    kinds: tuple[str, ...]
    severities: tuple[str, ...] = (ANY,)
    as_of: date | None = None
    per: str = SESSION

    @property
    def measures(self) -> tuple[ComplicationMeasure, ...]:
        return tuple(ComplicationMeasure(kind, severity) for kind in self.kinds for severity in self.severities)

    @property
    def classes(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(class_of(kind) for kind in self.kinds))


@dataclass(frozen=True)
class ClassCounts:
    """One class of kinds in one group. reasons: those not counted. sum_xx: squares of sessions by patient."""

    n: int = 0
    patients: int = 0
    sum_xx: int = 0
    reasons: Mapping[str, int] = field(default_factory=dict)

    def missing(self, among: Sequence[str]) -> int:
        """How many are not counted for these reasons."""
        return sum(self.reasons.get(reason, 0) for reason in among)


@dataclass(frozen=True)
class EventCounts:
    """One kind and severity in one group, by reason (None: counted). undated: a record without a day of onset.

    straddling: those of the events that may have fallen after the window.
    """

    events: Mapping[str | None, int] = field(default_factory=dict)
    undated: Mapping[str | None, int] = field(default_factory=dict)
    straddling: Mapping[str | None, int] = field(default_factory=dict)
    sum_yy: int = 0
    sum_xy: int = 0


@dataclass(frozen=True)
class WindowCounts:
    """All of one window. classes, events: by group, then class of kinds or measure."""

    classes: Mapping[Group, Mapping[str, ClassCounts]]
    events: Mapping[tuple[Group, str, str], EventCounts]

    def of(self, group: Group, measure: ComplicationMeasure) -> tuple[ClassCounts, EventCounts]:
        """What is known of one measure in one group."""
        counts = self.classes.get(group, {}).get(class_of(measure.kind), ClassCounts())
        return counts, self.events.get((group, measure.kind, measure.severity), EventCounts())


def ratio_sums(counts: ClassCounts, events: EventCounts) -> RatioSums:
    """The sums over patients that the variance between them needs."""
    return RatioSums(counts.patients, events.events.get(None, 0), counts.n, events.sum_yy, events.sum_xy, counts.sum_xx)


def window_counts(request: ComplicationRequest, windows: Sequence[Window]) -> list[WindowCounts]:
    """The counts of each window; contacts are read once."""
    with kept_contacts(request, windows):
        return [_counted(request, window) for window in windows]


@contextmanager
def kept_contacts(request: ComplicationRequest, windows: Sequence[Window]) -> Iterator[None]:
    """Keep the sessions and what each day of contact answers, for all windows."""
    values = shared_values(request.registry.settings, request.as_of, request.chosen)
    latest = max(window.closes_by if RECORDS not in request.classes else NO_END for window in windows)
    closes = {f"closes_from_{window.last_day}": window.closes_from for window in windows}
    closes |= {f"closes_by_{window.last_day}": window.closes_by for window in windows}
    texts = {
        **_texts(request),
        "contact_answers": _answers(request),
        "closing_columns": " ".join(
            f"min(day) filter (day between $closes_from_{window.last_day} and $closes_by_{window.last_day}) "
            f"as closing_{window.last_day},"
            for window in windows
        ),
    }
    keep: tuple[tuple[str, tuple[str, ...], dict[str, Any]], ...] = (
        ("judged_session", (*SESSION_HERE, "judged_session"), values),
        ("contact_day", ("contact_day",), {"latest_close": latest}),
        ("complication_session", ("complication_session",), {}),
        ("complication_contact", ("complication_contact",), closes),
        ("complication_told", ("complication_told",), {}),
    )
    with ExitStack() as stack:
        for name, steps, bound in keep:
            stack.enter_context(kept(request.registry, name, steps, bound, texts))
        yield


@contextmanager
def kept_window(request: ComplicationRequest, window: Window) -> Iterator[dict[str, str]]:
    """Keep each session's (or patient's) reason and events of one window; yields the texts that name them."""
    registry = request.registry
    values = {
        "last_day": window.last_day,
        "closes_from": window.closes_from,
        "closes_by": window.closes_by,
        "due": window.due,
        "ever": window.name == EVER,
        "kinds": list(request.kinds),
        "severities": list(request.severities),
        "ranks": [SEVERITIES[severity] for severity in request.severities],
        "severity_codes": list(SEVERITY_CODES),
        "own_degrees": [item.kind for item in ITEMS.values() if item.own_degrees],
    }
    texts = {**_texts(request), "closing": f"closing_{window.last_day}"}
    steps = ["complication_reason", "complication_record", "complication_outcome"]
    if request.per == PATIENT:
        steps += ["complication_patient_reason", "complication_patient_outcome"]
    with ExitStack() as stack:
        for step in steps:
            stack.enter_context(kept(registry, step, (step,), values, texts))
        yield texts


def class_counts(request: ComplicationRequest, texts: Mapping[str, str]) -> dict[Group, dict[str, ClassCounts]]:
    """Sessions (or patients) counted and not, by group and class of kinds; `complication_patient` must be kept."""
    registry = request.registry
    reasons = rows(registry, ("complication_reason_count",), "from complication_reason_count", {}, texts)
    people = rows(registry, ("complication_patient_sum",), "from complication_patient_sum", {}, texts)
    return _classes(reasons, people, group_columns(request.fields), request.classes)


def _counted(request: ComplicationRequest, window: Window) -> WindowCounts:
    registry = request.registry
    with (
        kept_window(request, window) as texts,
        kept(registry, "complication_patient", ("complication_patient",), {}, texts),
    ):
        classes = class_counts(request, texts)
        sums = rows(registry, ("complication_event_sum",), "from complication_event_sum", {}, texts)
        events = rows(registry, ("complication_event_count",), "from complication_event_count", {}, texts)
    return WindowCounts(classes, _events(events, sums, group_columns(request.fields)))


def _classes(
    reasons: pl.DataFrame, people: pl.DataFrame, columns: Sequence[str], classes: Sequence[str]
) -> dict[Group, dict[str, ClassCounts]]:
    found: dict[Group, dict[str, ClassCounts]] = {}
    of_people = {tuple(row[name] for name in columns): row for row in people.iter_rows(named=True)}
    for name in classes:
        reason = f"reason_{name}"
        folded = reasons.group_by(*columns, reason).agg(pl.col("n").sum()).sort(*columns, reason)
        by_group: dict[Group, dict[str | None, int]] = {}
        for row in folded.iter_rows(named=True):
            by_group.setdefault(tuple(row[column] for column in columns), {})[row[reason]] = row["n"]
        for group, by_reason in by_group.items():
            row = of_people[group]
            found.setdefault(group, {})[name] = ClassCounts(
                by_reason.get(None, 0),
                row[f"patients_{name}"],
                row[f"squares_{name}"],
                {key: n for key, n in by_reason.items() if key is not None},
            )
    return found


def _events(
    events: pl.DataFrame, sums: pl.DataFrame, columns: Sequence[str]
) -> dict[tuple[Group, str, str], EventCounts]:
    def key(row: Mapping[str, str]) -> tuple[Group, str, str]:
        return tuple(row[column] for column in columns), row["kind"], row["severity"]

    squares = {key(row): (row["sum_yy"], row["sum_xy"]) for row in sums.iter_rows(named=True)}
    known: dict[tuple[Group, str, str], list[dict[str, Any]]] = {}
    for row in events.iter_rows(named=True):
        known.setdefault(key(row), []).append(row)
    return {
        place: EventCounts(
            {row["reason"]: row["events"] for row in found if row["events"]},
            {row["reason"]: row["undated"] for row in found if row["undated"]},
            {row["reason"]: row["straddling"] for row in found if row["straddling"]},
            *squares.get(place, (0, 0)),
        )
        for place, found in known.items()
    }


def _answered(kind: str) -> str:
    return f"{kind}_answered"


def _asked_items(request: ComplicationRequest) -> list[tuple[str, list[str]]]:
    """The kinds with an item, each with the severities of which its item tells."""
    return [
        (kind, [severity for severity in request.severities if severity in ITEMS[kind].by_severity])
        for kind in request.kinds
        if kind in ITEMS
    ]


def _answers(request: ComplicationRequest) -> str:
    """The columns of a day of contact: does any contact of the day answer, tell of the event, or see it?"""
    parts = ["true as contact"]
    for kind, severities in _asked_items(request):
        item = ITEMS[kind]
        parts.append(f"bool_or({item.answered}) as {_answered(kind)}")
        for severity in severities:
            answer = item.by_severity[severity]
            parts.append(f"coalesce(bool_or({answer.positive}), false) as {kind}_{severity}_told")
            parts.append(f"coalesce(bool_or({answer.seen}), false) as {kind}_{severity}_found")
    return ", ".join(parts)


def _texts(request: ComplicationRequest) -> dict[str, str]:
    """The columns of the items and classes asked for, as text."""
    columns = group_columns(request.fields)
    contact, listed = [], []
    for kind, severities in _asked_items(request):
        contact.append(f"min(day) filter (not {_answered(kind)} and day > 0) as {kind}_unanswered,")
        for severity in severities:
            name = f"{kind}_{severity}"
            contact += [f"min(day) filter ({name}_{what}) as {name}_{what}," for what in ("told", "found")]
            listed.append(f"{{kind: '{kind}', severity: '{severity}', told_day: {name}_told, found_day: {name}_found}}")
    # a list of nothing has no type, so one that tells of nothing stands first
    nothing = "{kind: '', severity: '', told_day: null::integer, found_day: null::integer}"
    classes = request.classes
    per_patient = request.per == PATIENT
    return {
        **shared_texts(request.fields, request.chosen),
        "contact_columns": " ".join(contact),
        "unanswered_columns": " ".join(f"t.{kind}_unanswered," for kind, _ in _asked_items(request)),
        "told_list": ", ".join([nothing, *listed]),
        "reason_columns": " ".join(f"{_why(name)} as reason_{name}," for name in classes),
        "patient_reason_columns": " ".join(
            f"coalesce(min(reason_{name}) filter (reason_{name} <> 'not_due'), "
            f"if(bool_and(reason_{name} is not distinct from 'not_due'), 'not_due', null)) as reason_{name},"
            for name in classes
        ),
        "classes": " ".join(f"reason_{name}," for name in classes),
        "counted_columns": ", ".join(f"count(*) filter (reason_{name} is null) as counted_{name}" for name in classes),
        "sum_columns": ", ".join(
            f"count(*) filter (counted_{name} > 0) as patients_{name}, "
            f"sum(counted_{name} * counted_{name})::bigint as squares_{name}"
            for name in classes
        ),
        "reason_of_kind": _of_kind("s.reason", classes),
        "counted_of_kind": _of_kind("p.counted", classes),
        "reason_table": "complication_patient_reason" if per_patient else "complication_reason",
        "outcome_table": "complication_patient_outcome" if per_patient else "complication_outcome",
        "r_groups": " ".join(f"r.{column}," for column in columns),
        "e_groups": " ".join(f"e.{column}," for column in columns),
        "and_same_group": " ".join(f"and s.{column} = e.{column}" for column in columns),
        "and_same_group_of_patient": " ".join(f"and p.{column} = e.{column}" for column in columns),
    }


def _why(name: str) -> str:
    """Why a session is not counted in a class of kinds, as an expression."""
    if name == RECORDS:
        parts = {"assessed": "s.reached_day is not null", "closing_day": "s.reached_day", "reaches": "$closes_from"}
    else:
        parts = {
            "assessed": f"s.closing_day < coalesce(s.{name}_unanswered, s.closing_day + 1)",
            "closing_day": "s.closing_day",
            "reaches": "if($ever, s.closing_day, $last_day)",
        }
    return step_text("why_not_counted", parts)


def _of_kind(column: str, classes: Sequence[str]) -> str:
    """The column of the class that a kind belongs to, as an expression."""
    branches = " ".join(f"when '{name}' then {column}_{name}" for name in classes if name != RECORDS)
    last = f"{column}_{RECORDS}" if RECORDS in classes else "null"
    return f"case e.kind {branches} else {last} end" if branches else last
