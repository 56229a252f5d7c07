"""Registries with graft counts, filled by hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pytest

from pipelines import Figure
from registry.store import Registry
from tests.small_registry import Row, insert_rows, on, registry_in_memory

RECORDS = ("patient", "session", "graft_count", "site_period")


@pytest.fixture(scope="module")
def empty() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        yield opened


def fill(registry: Registry, **records: Sequence[Row]) -> None:
    records.setdefault("site_period", [{"records_complete_to": on(2000)}])
    for name in RECORDS:
        registry.connection.execute(f"delete from {name}")
        insert_rows(registry, name, records.get(name, []))


def one_area_each(registry: Registry, counts: Sequence[Row], sessions: Sequence[Row] = ()) -> None:
    """A patient and a session for each of these counts, which stand for its only area; sessions: their fields."""
    whose = [f"p{number}" for number in range(len(counts))]
    more = [*sessions, *({} for _ in whose[len(sessions) :])]
    fill(
        registry,
        patient=[{"patient_key": key} for key in whose],
        session=[{"session_key": f"s{key}", "patient_key": key, **row} for key, row in zip(whose, more, strict=True)],
        graft_count=[{"session_key": f"s{key}", **row} for key, row in zip(whose, counts, strict=True) if row],
    )


def count(day: int, growing: int | None, placed: int = 40, **fields: Any) -> Row:
    return {"counted_on": on(day), "growing_grafts": growing, "placed_grafts": placed, **fields}


def found(figures: Sequence[Figure], measure: str, at: int | None = None, **group: str) -> Figure:
    """The one figure of that measure, time and group."""
    (figure,) = (
        figure
        for figure in figures
        if figure.measure == measure and (at is None or figure.at == at) and dict(figure.group) == group
    )
    return figure
