"""Tables and counts that several questions of one report share, made once."""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from registry.store import Registry

if TYPE_CHECKING:
    import duckdb
    import polars as pl

_MOST_TABLES, _MOST_ROWS = 6, 10_000
"""Tables beyond these, the longest unused first, are dropped; larger answers are asked again. Both save memory."""
_MOST_MEMORY = 7_000_000_000
"""Bytes, of the engine within `held_memory`: an audit of ten million patients then fits beside other programs."""
_BYTES = {"bytes": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}
_NAME = re.compile(r"[a-z_]+")

Question = tuple[str, str, tuple[tuple[str, int], ...]]
"""A statement, its values, and which shared tables stand under the names in it."""


@dataclass
class SharedTables:
    """What has been made within `sharing`.

    made: tables by what they answer, the last used at the end. standing: their numbers, by the names they stand under.
    views: the number that each name stood for last; a view stays, since making it takes long beside small questions.
    starts: the last question for each step that many start from: its table stays until another is made, which is when a
    report turns to another day. answers: small results.
    """

    connection: duckdb.DuckDBPyConnection
    made: OrderedDict[Question, int] = field(default_factory=OrderedDict)
    standing: dict[str, int] = field(default_factory=dict)
    views: dict[str, int] = field(default_factory=dict)
    starts: dict[str, Question] = field(default_factory=dict)
    answers: dict[Question, pl.DataFrame] = field(default_factory=dict)
    count: int = 0

    def table(self, sql: str, values: Mapping[str, Any], *, start: str | None = None) -> int:
        """The number of the table with the rows of a statement. start: the step that it is, if many start from it."""
        question = self._question(sql, values)
        if question not in self.made:
            if start:
                self._drop(self.starts.pop(start, None))
                self.starts[start] = question
            self.count += 1
            self.connection.execute(f"create temp table shared_{self.count} as {sql}", values)
            self.made[question] = self.count
            self._drop_old()
        self.made.move_to_end(question)
        return self.made[question]

    @contextmanager
    def under(self, name: str, number: int) -> Iterator[None]:
        """Let a table stand under a name for the length of a `with` block."""
        if self.views.get(name) != number:
            self.connection.execute(f"create or replace temp view {name} as from temp.shared_{number}")
            self.views[name] = number
        self.standing[name] = number
        try:
            yield
        finally:
            del self.standing[name]

    def rows(self, sql: str, values: Mapping[str, Any]) -> pl.DataFrame:
        """The rows of a statement."""
        question = self._question(sql, values)
        if question in self.answers:
            return self.answers[question]
        table: pl.DataFrame = self.connection.sql(sql, params=dict(values)).pl()
        if table.height <= _MOST_ROWS:
            self.answers[question] = table
        return table

    def _question(self, sql: str, values: Mapping[str, Any]) -> Question:
        names = set(_NAME.findall(sql))
        return (
            sql,
            repr(sorted(values.items())),
            tuple(sorted((n, at) for n, at in self.standing.items() if n in names)),
        )

    def _drop_old(self) -> None:
        idle = [question for question in self.made if question not in self.starts.values()]
        for question in idle[: max(0, len(idle) - _MOST_TABLES)]:
            if self.made[question] != self.count:
                self._drop(question)

    def _drop(self, question: Question | None) -> None:
        """Drop a table and those made from it, unless it stands under a name."""
        if not question or question not in self.made or self.made[question] in self.standing.values():
            return
        dropped = self.made.pop(question)
        self.connection.execute(f"drop table temp.shared_{dropped}")
        for other in [other for other in self.made if dropped in dict(other[2]).values()]:
            self._drop(other)


_SHARED: ContextVar[SharedTables | None] = ContextVar("shared_tables", default=None)


def shared_tables(registry: Registry) -> SharedTables | None:
    """What is shared now by questions to this registry; None outside `sharing`."""
    shared = _SHARED.get()
    return shared if shared and shared.connection is registry.connection else None


@contextmanager
def sharing(registry: Registry) -> Iterator[None]:
    """Let all questions asked of a registry within the `with` block share their tables: for a report of many figures.

    The records must not change meanwhile. The figures are those that would come without it.
    """
    shared = SharedTables(registry.connection)
    token = _SHARED.set(shared)
    try:
        with held_memory(registry.connection):
            yield
    finally:
        _SHARED.reset(token)
        for name in shared.views:
            registry.connection.execute(f"drop view if exists temp.{name}")
        for number in shared.made.values():
            registry.connection.execute(f"drop table if exists temp.shared_{number}")


@contextmanager
def held_memory(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Hold the engine to _MOST_MEMORY: it spills what goes beyond. Not where it may not spill, or has less anyway."""
    spills_to = connection.execute("select current_setting('temp_directory')").fetchall()[0][0]
    if not spills_to or engine_memory(connection) <= _MOST_MEMORY:
        yield
        return
    connection.execute(f"set memory_limit = '{_MOST_MEMORY} bytes'")
    try:
        yield
    finally:
        connection.execute("reset memory_limit")


def engine_memory(connection: duckdb.DuckDBPyConnection) -> int:
    """Bytes that the engine may take: four fifths of the machine's memory, unless it was told otherwise."""
    number, unit = connection.execute("select current_setting('memory_limit')").fetchall()[0][0].split()
    return int(float(number) * _BYTES[unit])
