"""What is asked of complications."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Protocol

from registry.store import Registry

from .complication_code import Code
from .complication_kinds import ANY, ITEMS, ComplicationMeasure, class_of
from .groups import Chosen, GroupField

SESSION, PATIENT = "session", "patient"


class Told(Protocol):
    """What figures of complications need to know of the question, wherever the counts come from."""

    @property
    def fields(self) -> tuple[GroupField, ...]: ...
    @property
    def per(self) -> str: ...
    @property
    def floor(self) -> int: ...
    @property
    def measures(self) -> tuple[ComplicationMeasure, ...]: ...
    @property
    def classes(self) -> tuple[str, ...]: ...


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
    def floor(self) -> int:
        """A share of fewer is flagged."""
        return self.registry.settings.floor_denominator

    @property
    def measures(self) -> tuple[ComplicationMeasure, ...]:
        return tuple(ComplicationMeasure(kind, severity) for kind in self.kinds for severity in self.severities)

    @property
    def classes(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(class_of(kind) for kind in self.kinds))

    @property
    def item_measures(self) -> tuple[ComplicationMeasure, ...]:
        """Those that an item at visits tells of; of the others records alone do."""
        return tuple(m for m in self.measures if m.kind in ITEMS and m.severity in ITEMS[m.kind].by_severity)

    @property
    def code(self) -> Code:
        return Code(self.classes, self.item_measures)
