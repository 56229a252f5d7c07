"""What differs between two audits, figure by figure, and why it may."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .figure import Figure
from .missing_fields import FIELD_EMPTY

_SEEN_LATE = ("missed_visit", "not_reached", "item_empty")
"""Reasons that a contact delivered later does away with."""

WHY: Mapping[str, str] = {
    "new_records": "more records",
    "became_due": "sessions became due",
    "late_follow_up": "follow-up that came late",
    "longer_follow_up": "more time was observed",
    "corrections": "records were corrected or taken away",
    "definition": "the definition changed",
    "settings": "the settings changed",
    "version": "the program changed",
}
"""Why a figure may differ, and how to say it."""

_OF_THE_QUARTER = frozenset({"sessions_in_quarter", "sessions_recorded_of_declared", FIELD_EMPTY})
"""Measures that say nothing beyond the quarter of the audit."""

_META = ("practice", "quarter", "as_of", "data_date", "snapshot", "intake", "settings", "version", "floors")
"""What an audit says of itself, and what is compared of it."""


@dataclass(frozen=True)
class FigureChange:
    """One figure that differs. before, after: as in `figures.json`; empty where it is not there. why: keys of WHY."""

    measure: str
    group: Mapping[str, str]
    at: int | None
    window: str | None
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None
    why: tuple[str, ...]

    @property
    def shift(self) -> float:
        """By how much the estimate moved: in shares, else as a share of the larger; 0 where one has no estimate."""
        values = [side.get("estimate") if side else None for side in (self.before, self.after)]
        if values[0] is None or values[1] is None:
            return 0.0
        return float(abs(values[1] - values[0]) / max(1.0, abs(values[0]), abs(values[1])))


@dataclass(frozen=True)
class AuditChanges:
    """Two audits. meta: what they say of themselves, before and after, where it differs.

    definitions: measures with their wording before and after, where it differs; empty where one does not have it.
    same: figures that are alike.
    """

    before: str
    after: str
    meta: Mapping[str, tuple[Any, Any]]
    definitions: Mapping[str, tuple[str, str]]
    figures: tuple[FigureChange, ...]
    same: int


def audit_changes(
    before: Mapping[str, Any], meta_after: Mapping[str, Any], figures_after: Sequence[Figure | Mapping[str, Any]]
) -> AuditChanges:
    """What changed from an audit to another.

    before: the content of `figures.json`. meta_after, figures_after: of the other audit, as they are or as there.
    Figures of the quarter itself are compared only where both audits are of one quarter.
    Why: told from the counts. More were counted or left out in all: more records. Fewer not due yet: sessions became
    due. Fewer missed, not reached or not asked: follow-up that came late. Fewer in all: corrections. Otherwise more
    time was observed where the audits look to another day, and records were corrected where they look to the same. A
    change of the definition, the settings or the program is named wherever there was one. Several may hold at once;
    the counts cannot tell how much each moved a figure.
    Returns changes, those that moved most first.
    """
    meta_before = before["meta"]
    meta = {
        name: (meta_before.get(name), meta_after.get(name))
        for name in _META
        if meta_before.get(name) != meta_after.get(name)
    }
    texts = [side.get("definitions", {}) for side in (meta_before, meta_after)]
    definitions = {
        name: (texts[0].get(name, ""), texts[1].get(name, ""))
        for name in dict.fromkeys([*texts[0], *texts[1]])
        if texts[0].get(name) != texts[1].get(name)
    }
    sides = [
        _by_key(before["figures"], meta_before.get("quarter")),
        _by_key(figures_after, meta_after.get("quarter")),
    ]
    changes, same = [], 0
    for key in dict.fromkeys([*sides[0], *sides[1]]):
        one, other = sides[0].get(key), sides[1].get(key)
        if one == other:
            same += 1
            continue
        shown = one or other or {}
        why = _why(one, other, shown["measure"] in definitions, meta)
        changes.append(FigureChange(shown["measure"], shown["group"], shown["at"], shown["window"], one, other, why))
    ordered = sorted(changes, key=lambda change: -change.shift)
    return AuditChanges(_name(meta_before), _name(meta_after), meta, definitions, tuple(ordered), same)


def _name(meta: Mapping[str, Any]) -> str:
    return f"{meta.get('quarter', 'audit')}, snapshot {meta.get('snapshot')}"


def _by_key(
    figures: Sequence[Figure | Mapping[str, Any]], quarter: str | None
) -> dict[tuple[Any, ...], Mapping[str, Any]]:
    found: dict[tuple[Any, ...], Mapping[str, Any]] = {}
    for figure in figures:
        plain = figure.as_dict() if isinstance(figure, Figure) else figure
        group = tuple(sorted(plain["group"].items()))
        of_quarter = quarter if plain["measure"] in _OF_THE_QUARTER else None
        found[plain["measure"], group, plain["at"], plain["window"], plain["n_unit"], of_quarter] = plain
    return found


def _why(
    one: Mapping[str, Any] | None, other: Mapping[str, Any] | None, redefined: bool, meta: Mapping[str, Any]
) -> tuple[str, ...]:
    reasons = ["definition"] if redefined else []
    reasons += [name for name in ("settings", "version") if name in meta]
    if one is None or other is None:
        return tuple(reasons or ["new_records" if one is None else "corrections"])
    left = [side["not_counted"] for side in (one, other)]
    all_before, all_after = (side["n"] + sum(side["not_counted"].values()) for side in (one, other))
    found = []
    if all_after > all_before:
        found.append("new_records")
    if left[1].get("not_due", 0) < left[0].get("not_due", 0):
        found.append("became_due")
    if any(left[1].get(reason, 0) < left[0].get(reason, 0) for reason in _SEEN_LATE) and other["n"] > one["n"]:
        found.append("late_follow_up")
    if all_after < all_before:
        found.append("corrections")
    if not found and {"as_of", "data_date"} & set(meta):
        found.append("longer_follow_up")
    if not found and not reasons:
        found.append("corrections")
    return (*found, *reasons)
