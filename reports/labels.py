"""Names of groups in words, from the definition of the records."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pipelines.figure import Figure
from pipelines.measures import NEXT_SESSION_CAUSES, NEXT_SESSION_WITH_DEATH
from registry.definition import RECORD_TYPES, Kind

_CAUSES = {cause.name: cause.label for cause in (NEXT_SESSION_WITH_DEATH, *NEXT_SESSION_CAUSES)}
_RANGE = re.compile(r"(?<=\d)-(?=\d)")


def group_label(figure: Figure, everybody: str = "All") -> str:
    """The group of a figure, such as `Strip harvest`.

    >>> group_label(Figure("m", 1, "sessions", "wilson", group={"technique": "strip"}))
    'Strip harvest'
    >>> group_label(Figure("m", 1, "sessions", "wilson"), "All sites")
    'All sites'
    """
    return ", ".join(value_label(name, value) for name, value in figure.group.items()) or everybody


def chosen_words(chosen: Mapping[str, Any]) -> str:
    """Which sessions were looked at, from the metadata of figures.

    >>> chosen_words({"where": {"technique": ["strip"]}, "since": "2020-01-01"})
    'Only sessions with technique Strip harvest; on 2020-01-01 or later.'
    """
    parts = [
        f"with {name.replace('_', ' ')} {' or '.join(value_label(name, value) for value in values)}"
        for name, values in chosen.get("where", {}).items()
    ]
    if chosen.get("since"):
        parts.append(f"on {chosen['since']} or later")
    if chosen.get("until"):
        parts.append(f"on {chosen['until']} or earlier")
    return f"Only sessions {'; '.join(parts)}."


def value_label(field_name: str, value: str) -> str:
    r"""One value of a grouping field.

    >>> value_label("site_code", "A"), value_label("sex", "not recorded")
    ('Site A', 'not recorded')
    >>> value_label("age_band", "25-34") == "25\N{EN DASH}34"
    True
    """
    if field_name == "age_band":
        return _RANGE.sub("–", value)
    if field_name == "session_number":
        return f"Session {value}"
    if field_name == "cause":
        return _CAUSES.get(value, value.capitalize())
    for record in RECORD_TYPES:
        for field in record.fields:
            if field.name == field_name:
                if field.kind is Kind.SITE and value != "not recorded":
                    return f"Site {value}"
                if field.codes is not None:
                    return next((code.meaning for code in field.codes.codes if code.name == value), value)
    return value
