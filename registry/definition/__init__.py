"""The one declarative definition of the records.

Tables, checks, the data dictionary, templates, exports and synthetic data derive from `RECORD_TYPES`.
"""

from __future__ import annotations

from ..errors import GraftledgerError, nearest
from ._field import (
    EARLIEST_DATE,
    SET_SEPARATOR,
    SETTINGS_CODE_PATTERN,
    Code,
    CodeList,
    Field,
    Kind,
    RecordType,
    Rule,
    Severity,
)
from .complication import COMPLICATION
from .graft_count import GRAFT_COUNT
from .patient import PATIENT
from .row_checks import ROW_CHECKS, unknown_parent_check
from .session import ELSEWHERE, SESSION
from .site_period import SITE_PERIOD
from .visit import VISIT

RECORD_TYPES: tuple[RecordType, ...] = (PATIENT, SESSION, VISIT, COMPLICATION, GRAFT_COUNT, SITE_PERIOD)
"""Every record type, parents before children."""


def record_type(name: str) -> RecordType:
    """The record type of that name.

    Raises: GraftledgerError where there is none, naming the closest.
    """
    for candidate in RECORD_TYPES:
        if candidate.name == name:
            return candidate
    raise GraftledgerError(f"There is no record type '{name}'. {nearest(name, [r.name for r in RECORD_TYPES])}")


__all__ = [
    "EARLIEST_DATE",
    "ELSEWHERE",
    "PATIENT",
    "RECORD_TYPES",
    "ROW_CHECKS",
    "SESSION",
    "SETTINGS_CODE_PATTERN",
    "SET_SEPARATOR",
    "SITE_PERIOD",
    "Code",
    "CodeList",
    "Field",
    "Kind",
    "RecordType",
    "Rule",
    "Severity",
    "record_type",
    "unknown_parent_check",
]
