"""What a practice tells its patients, as statements that records can support or not."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from registry.durations import parse_time
from registry.errors import Fault, GraftledgerError, nearest

from ..duration_measures import DURATION_MEASURES
from ..measures import (
    GRAFT_SURVIVAL,
    NEXT_SESSION_WITH_DEATH,
    PRESENT_MEASURES,
    SESSION_LENGTH,
    SUTURES_OUT,
    WINDOW_MEASURES,
)

FILE = "expectations.toml"

RANGES = (SESSION_LENGTH, SUTURES_OUT)
WITHOUT_TIME = (*(measure.name for measure in WINDOW_MEASURES), GRAFT_SURVIVAL)
WITH_TIME = (
    NEXT_SESSION_WITH_DEATH.measure,
    *(measure.name for measure in DURATION_MEASURES),
    *(present.name for present in PRESENT_MEASURES),
)
MEASURES = (*WITHOUT_TIME, *WITH_TIME, *RANGES)

_KEYS = ("name", "says", "measure", "at", "at_most", "at_least", "about", "margin", "between", "if_true")


@dataclass(frozen=True)
class Statement:
    """One statement. low, high: it holds where the true share lies between them, 0-1.

    at_days: when, for measures that have a time. between: range in days or hours; the share is of those inside it.
    if_true: the share to plan with.
    """

    name: str
    says: str
    measure: str
    low: float
    high: float
    if_true: float
    at_days: int | None = None
    between: tuple[float, float] | None = None


def load_statements(path: Path | None) -> tuple[Statement, ...]:
    """The statements of a file, or the starter list.

    Raises: GraftledgerError naming the statement and how to mend it; all of them at once.
    """
    name = path.name if path else "the starter list"
    try:
        text = path.read_text(encoding="utf-8") if path else starter_text()
        content = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        why = f" ({error})" if isinstance(error, tomllib.TOMLDecodeError) else ""
        raise GraftledgerError(Fault(f"the file cannot be read as TOML{why}.", name)) from None
    rows = content.get("expectation")
    if set(content) != {"expectation"} or not isinstance(rows, list) or not rows:
        raise GraftledgerError(
            Fault("there are no statements.", name, mend="Begin each with [[expectation]]: see --starter.")
        )
    found, faults = [], []
    for number, row in enumerate(rows, start=1):
        try:
            found.append(_statement(row))
        except ValueError as error:
            faults.append(Fault(f"{error}", name, row=number, mend="See graftledger expectations --starter."))
    names = [statement.name for statement in found]
    faults += [
        Fault(f"the name {twice} stands twice.", name) for twice in sorted({n for n in names if names.count(n) > 1})
    ]
    if faults:
        raise GraftledgerError(*faults)
    contradictions = [
        Fault(f"{one.name} and {other.name} contradict each other: no share fits both.", name)
        for place, one in enumerate(found)
        for other in found[place + 1 :]
        if (one.measure, one.at_days, one.between) == (other.measure, other.at_days, other.between)
        and (one.low > other.high or other.low > one.high)
    ]
    if contradictions:
        raise GraftledgerError(*contradictions)
    return tuple(found)


def starter_text() -> str:
    """The starter list as it is written."""
    return (files("pipelines") / "expectations" / "starter.toml").read_text(encoding="utf-8")


def _statement(row: Any) -> Statement:
    """One statement from its table. Raises: ValueError, in words."""
    if not isinstance(row, dict):
        raise ValueError("this is no table.")
    for key in row:
        if key not in _KEYS:
            raise ValueError(f"there is no key {key[:40]!r}. {nearest(key, list(_KEYS))}")
    name, says, measure = (_text(row, key) for key in ("name", "says", "measure"))
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,59}", name):
        raise ValueError("the name must be lower case letters, digits and _.")
    if measure not in MEASURES:
        raise ValueError(f"there is no measure {measure[:40]!r}. {nearest(measure, list(MEASURES))}")
    if (measure in WITH_TIME) != ("at" in row):
        raise ValueError(f"{measure} {'needs' if measure in WITH_TIME else 'has no'} time: at.")
    if (measure in RANGES) != ("between" in row):
        raise ValueError(f"{measure} {'needs' if measure in RANGES else 'takes no'} range: between.")
    low, high, middle = _limits(row)
    if_true = _share(row, "if_true") if "if_true" in row else middle
    if not low <= if_true <= high:
        raise ValueError("if_true lies outside what the statement says.")
    try:
        at_days = parse_time(_text(row, "at")) if "at" in row else None
    except GraftledgerError as error:
        raise ValueError(str(error.faults[0])) from None
    return Statement(name, says, measure, low, high, if_true, at_days, _range(row) if "between" in row else None)


def _limits(row: Mapping[str, Any]) -> tuple[float, float, float]:
    """The lowest and highest share that the statement allows, and one in the middle of what it means."""
    forms = [key for key in ("at_most", "at_least", "about") if key in row]
    if len(forms) != 1 or ("margin" in row) != (forms == ["about"]):
        raise ValueError("say exactly one of: at_most; at_least; about with margin.")
    share = _share(row, forms[0])
    match forms[0]:
        case "at_most":
            return 0.0, share, share / 2
        case "at_least":
            return share, 1.0, (1 + share) / 2
    margin = _share(row, "margin")
    if margin == 0:
        raise ValueError("margin must be above 0.")
    return max(0.0, share - margin), min(1.0, share + margin), share


def _text(row: Mapping[str, Any], key: str) -> str:
    value = row.get(key)
    if not isinstance(value, str) or not value.strip() or len(value) > 200:
        raise ValueError(f"{key} is missing, or no short text.")
    return value


def _share(row: Mapping[str, Any], key: str) -> float:
    return _number(row[key], key, lambda value: 0 <= value <= 1, "a share from 0 to 1, such as 0.1")


def _range(row: Mapping[str, Any]) -> tuple[float, float]:
    value = row["between"]
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("between must be two numbers, such as [7, 14].")
    low, high = (_number(end, "between", lambda number: number >= 0, "two numbers of 0 or more") for end in value)
    if low >= high:
        raise ValueError("between must rise, such as [7, 14].")
    return low, high


def _number(value: Any, key: str, fits: Callable[[float], bool], expected: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not fits(value):
        raise ValueError(f"{key} must be {expected}.")
    return float(value)
