"""All that a window tells of a session, as one number: why it is not counted, and what happened.

Millions of sessions then fold to a short table of numbers and how often each stands. By class of kinds four bits say
why the session is not counted (0: it is). By kind and severity with an item at visits, two bits say what happened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from .complication_kinds import ITEMS, ComplicationMeasure, class_of

COUNTED = 0
REASONS: Mapping[str, int] = {
    reason: place
    for place, reason in enumerate(
        (
            "dates_shifted",
            "died",
            "item_empty",
            "missed_visit",
            "no_declaration",
            "no_start_date",
            "not_due",
            "not_reached",
            "operated_again",
        ),
        1,
    )
}
"""Why a session is not counted. Of several sessions of a patient the first of these stands for all."""
BARRED = ("dates_shifted", "no_declaration", "no_start_date")
NOTHING, EVENT, STRADDLING, UNDATED = range(4)
"""What happened; straddling: an event that may have fallen after the window; undated: a record without a day of onset
that nothing places. Of several sessions of a patient the lowest above 0 stands for all."""

_REASON_BITS, _HAPPENED_BITS = 4, 2

CODE_TEXTS: Mapping[str, str] = {
    "counted": str(COUNTED),
    "nothing": str(NOTHING),
    "event": str(EVENT),
    "straddling": str(STRADDLING),
    "undated_record": str(UNDATED),
    **{reason: str(code) for reason, code in REASONS.items()},
}
"""The numbers behind the words in the SQL steps."""


@dataclass(frozen=True)
class Code:
    """Where in the number what stands. classes: of kinds. measures: kinds and severities with an item."""

    classes: tuple[str, ...]
    measures: tuple[ComplicationMeasure, ...]

    def reason(self, name: str, told: str) -> str:
        """SQL: why it is not counted in a class of kinds."""
        return _bits(told, self.classes.index(name) * _REASON_BITS, _REASON_BITS)

    def happened(self, measure: ComplicationMeasure, told: str) -> str:
        """SQL: what happened."""
        start = len(self.classes) * _REASON_BITS
        return _bits(told, start + self.measures.index(measure) * _HAPPENED_BITS, _HAPPENED_BITS)

    def is_counted(self, name: str, told: str) -> str:
        """SQL: is it counted in a class of kinds?"""
        return f"{self.reason(name, told)} = {COUNTED}"

    def has_event(self, measure: ComplicationMeasure, told: str) -> str:
        """SQL: is it counted, with the event?"""
        event = f"{self.happened(measure, told)} in ({EVENT}, {STRADDLING})"
        return f"({event} and {self.is_counted(class_of(measure.kind), told)})"

    def reason_of_kind(self, told: str, kind: str = "kind") -> str:
        """SQL: why it is not counted in the class of a column's kind."""
        branches = [f"when '{name}' then {self.reason(name, told)}" for name in self.classes if name in ITEMS]
        others = [self.reason(name, told) for name in self.classes if name not in ITEMS]
        last = others[0] if others else "null"
        return f"case {kind} {' '.join(branches)} else {last} end" if branches else last

    def packed(self, reasons: Sequence[str], happened: Sequence[str]) -> str:
        """SQL: the number, from expressions for each class and measure in their order."""
        starts = [place * _REASON_BITS for place in range(len(self.classes))]
        start = len(self.classes) * _REASON_BITS
        starts += [start + place * _HAPPENED_BITS for place in range(len(self.measures))]
        parts = zip((*reasons, *happened), starts, strict=True)
        return " | ".join(f"(({part})::bigint << {start})" for part, start in parts)


def _bits(told: str, start: int, width: int) -> str:
    return f"(({told} >> {start}) & {2**width - 1})"
