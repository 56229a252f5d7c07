"""The steps that fold sessions to small tables of counts, for all kinds and windows together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any

import polars as pl

from ._queries import SESSION_HERE, kept, rows
from .complication_columns import complication_columns
from .complication_kinds import EVER, ITEMS, NO_END, RECORDS, SEVERITIES, SEVERITY_CODES, Window
from .complication_request import PATIENT, ComplicationRequest
from .groups import shared_values


@dataclass(frozen=True)
class Judged:
    """Sessions judged and kept in the database for the length of a `with` block. texts, values: of its steps."""

    request: ComplicationRequest
    windows: Sequence[Window]
    texts: Mapping[str, str]
    values: Mapping[str, Any]

    def rows(self, step: str, texts: Mapping[str, str] | None = None, **values: Any) -> pl.DataFrame:
        """The rows of one more step."""
        return rows(
            self.request.registry,
            (step,),
            f"from {step} order by all",
            {**self.values, **values},
            {**self.texts, **(texts or {})},
        )


@contextmanager
def judged_sessions(request: ComplicationRequest, windows: Sequence[Window]) -> Iterator[Judged]:
    """Judge each session (or patient) in every window; `complication_judged` holds one number a window.

    Records and contacts are read once, whatever is asked.
    """
    judged = Judged(request, windows, complication_columns(request, len(windows)), _values(request, windows))
    steps: list[tuple[str, ...]] = [
        (*SESSION_HERE, "complication_session"),
        ("complication_contact_day",),
        ("complication_contact",),
        ("complication_record",),
        ("complication_item_record", "complication_fact", "complication_judged"),
        ("complication_record_event",),
    ]
    if request.per == PATIENT:
        steps += [("complication_patient_judged",), ("complication_patient_record_event",)]
    steps.append(("complication_pair",))
    with ExitStack() as stack:
        for names in steps:
            stack.enter_context(kept(request.registry, names[-1], names, judged.values, judged.texts))
        yield judged


def _values(request: ComplicationRequest, windows: Sequence[Window]) -> dict[str, Any]:
    values = shared_values(request.registry.settings, request.as_of, request.chosen)
    for number, window in enumerate(windows):
        values |= {
            f"last_day_{number}": window.last_day,
            f"closes_from_{number}": window.closes_from,
            f"closes_by_{number}": window.closes_by,
            f"due_{number}": window.due,
            f"ever_{number}": window.name == EVER,
        }
    return {
        **values,
        # records need a contact on or after the window's end, however late
        "latest_close": NO_END if RECORDS in request.classes else max(window.closes_by for window in windows),
        "kinds": list(request.kinds),
        "severities": list(request.severities),
        "ranks": [SEVERITIES[severity] for severity in request.severities],
        "severity_codes": list(SEVERITY_CODES),
        "own_degrees": [item.kind for item in ITEMS.values() if item.own_degrees],
        "item_measures": [f"{measure.kind} {measure.severity}" for measure in request.item_measures],
    }
