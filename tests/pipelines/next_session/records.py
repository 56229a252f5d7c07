"""Records of patients named a, b, c, for tests of the time to the next session."""

from __future__ import annotations

from typing import Any

from tests.small_registry import Row, on

FOLLOWED = 3652  # days from START to 2020-01-01, the day to which site A declares its records complete


def patient(name: str, **fields: Any) -> Row:
    return {"patient_key": name, **fields}


def session(name: str, number: int = 1, day: int = 0, **fields: Any) -> Row:
    row = {"session_key": f"{name}-{number}", "patient_key": name, "session_number": number, "performed_on": on(day)}
    if fields.get("surgeon_code") == "elsewhere":
        row |= {"learned_on": on(day)}
    return row | fields


def visit(name: str, day: int, answer: str | None = None, number: int = 1, **fields: Any) -> Row:
    return {
        "session_key": f"{name}-{number}",
        "visited_on": on(day),
        "surgery_elsewhere_since": answer,
        **fields,
    }
