"""A set of figures with what they rest on, and its plain forms: JSON and CSV."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from registry.errors import GraftledgerError
from registry.store import Registry
from registry.version import program_version

from .figure import NOT_COUNTED_REASONS, Figure

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class FigureSet:
    """Figures and what they rest on.

    meta: plain data that JSON can hold; see `figure_meta`.
    """

    meta: Mapping[str, Any]
    figures: tuple[Figure, ...]

    def to_json(self) -> str:
        """`{"meta": ..., "figures": [...]}`, the same text for the same content: keys keep their order, no clock.

        Raises: ValueError where a number is not finite, which a Figure never holds.
        """
        content = {"meta": dict(self.meta), "figures": [figure.as_dict() for figure in self.figures]}
        return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"

    def to_csv(self) -> str:
        """One row a figure: strata as `group_<field>`, reasons as `not_counted_<reason>`, flags joined by ';'.

        Raises: GraftledgerError where a text starts as a spreadsheet formula does. The definition and the settings
        allow no such code, so this is a guard, not a filter.
        """
        fields = list(dict.fromkeys(name for figure in self.figures for name in figure.group))
        rows = [_flat(figure, fields) for figure in self.figures]
        header = list(rows[0]) if rows else list(_flat(Figure("", 0, "", ""), fields))
        for row in rows:
            for column, cell in row.items():
                if isinstance(cell, str) and cell.startswith(_FORMULA_STARTS):
                    raise GraftledgerError(
                        f"A value in column {column} starts like a spreadsheet formula, so no CSV was written. "
                        "Choose codes that start with a letter."
                    )
        text = io.StringIO()
        writer = csv.DictWriter(text, header, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return text.getvalue()


def figure_meta(registry: Registry, **extra: Any) -> dict[str, Any]:
    """What figures rest on: snapshot, data date, program version, settings and floors, then `extra` as given.

    Where an earlier state is shown and patients were erased since, `erased_since` tells how many.
    """
    data_date = registry.data_date
    settings = registry.settings
    return {
        "practice": settings.practice,
        "snapshot": registry.snapshot,
        "data_date": data_date.isoformat() if data_date else None,
        "version": program_version(),
        "settings": settings.digest,
        "floors": {"at_risk": settings.floor_at_risk, "denominator": settings.floor_denominator},
        **({"erased_since": registry.erased_since} if registry.erased_since else {}),
        **extra,
    }


def _flat(figure: Figure, fields: list[str]) -> dict[str, object]:
    """One figure as one flat row."""
    row: dict[str, object] = {}
    for key, value in figure.as_dict().items():
        match key:
            case "group":
                row |= {f"group_{name}": value.get(name) for name in fields}
            case "not_counted":
                row |= {f"not_counted_{reason}": value.get(reason) for reason in NOT_COUNTED_REASONS}
            case "flags":
                row["flags"] = ";".join(value)
            case _:
                row[key] = value
    return row
