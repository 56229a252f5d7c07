"""Reading the figures of an audit back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from registry import Fault, GraftledgerError

FIGURES_FILE = "figures.json"
_OF_A_FIGURE = frozenset({"measure", "group", "at", "window", "estimate", "n", "n_unit", "events", "not_counted"})
_MOST_BYTES = 100_000_000


def read_figures(place: Path) -> Mapping[str, Any]:
    """The content of `figures.json`, of an audit's folder or the file itself.

    Raises: GraftledgerError where it cannot be read, or does not hold the figures of an audit.
    """
    path = place / FIGURES_FILE if place.is_dir() else place
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise GraftledgerError(Fault("the file is too large to hold the figures of an audit.", str(path)))
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        why = (error.strerror or "error").lower()
        mend = f"Name the folder of an audit, which holds {FIGURES_FILE}."
        raise GraftledgerError(Fault(f"the figures cannot be read ({why}).", str(path), mend=mend)) from None
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise GraftledgerError(Fault("this is no JSON file.", str(path))) from None
    if not _is_audit(content):
        raise GraftledgerError(Fault("the file does not hold the figures of an audit.", str(path)))
    return dict(content)


def _is_audit(content: Any) -> bool:
    if not isinstance(content, dict) or not isinstance(content.get("meta"), dict):
        return False
    figures = content.get("figures")
    return (
        content["meta"].get("report") == "audit"
        and isinstance(content["meta"].get("definitions", {}), dict)
        and isinstance(figures, list)
        and all(
            isinstance(figure, dict)
            and set(figure) >= _OF_A_FIGURE
            and isinstance(figure["n"], int)
            and all(isinstance(figure[name], dict) for name in ("group", "not_counted"))
            for figure in figures
        )
    )
