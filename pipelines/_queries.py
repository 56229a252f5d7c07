"""The SQL steps in `sql/`: one file a step, each named by its file, put together into one statement.

A step may name the steps before it. Values are bound (`$name`); `{name}` stands for text that comes from the
definition alone: quoted column names and the predicates of a measure.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from registry.store import Registry

from .shared_tables import shared_tables

if TYPE_CHECKING:
    import polars as pl

CONTACT = ("site_end", "session_next", "contact")
"""The steps to what was told at each contact about a session."""
KNOWN_SESSION = ("session_next", "known_session")
SESSION_HERE = ("site_end", *KNOWN_SESSION, "session_base", "session_here")
"""The steps that every analysis starts from."""

_SHARED: Mapping[str, tuple[str, ...]] = {
    **{step: (step,) for step in CONTACT},
    "session_contact": ("session_contact",),
    "session_answers": ("contact_day", "session_answers"),
    "session_base": ("known_session", "session_base"),
    "mature_count": ("known_session", "mature_count"),
}
"""Steps that many analyses start from, each with the steps of its own. Inside `sharing` they are made once for each day
that is asked of."""

_LOG = logging.getLogger(__name__)
_PARAMETER = re.compile(r"\$([a-z_]+[0-9]*)")


def statement(steps: Sequence[str], final: str, texts: Mapping[str, str]) -> str:
    """One statement: the steps in their order, then everything of the last one chosen by `final`.

    >>> print(statement(["site_end"], "from site_end", {}).splitlines()[0])
    with site_end as (
    """
    named = [f"{step} as (\n{step_text(step, texts)}\n)" for step in steps]
    return f"with {', '.join(named)}\n{final}" if named else final


def rows(
    registry: Registry,
    steps: Sequence[str],
    final: str,
    values: Mapping[str, Any],
    texts: Mapping[str, str] | None = None,
) -> pl.DataFrame:
    """Run the steps and return the last one's rows."""
    registry.connection.complete()  # of an earlier statement, whose result nobody needs any more
    with _started(registry, steps, values, texts or {}) as left:
        sql = statement(left, final, texts or {})
        _LOG.debug("%s", sql)
        if shared := shared_tables(registry):
            return shared.rows(sql, _bound(sql, values))
        table: pl.DataFrame = registry.connection.sql(sql, params=_bound(sql, values)).pl()
        return table


@contextmanager
def kept(
    registry: Registry,
    name: str,
    steps: Sequence[str],
    values: Mapping[str, Any],
    texts: Mapping[str, str] | None = None,
) -> Iterator[None]:
    """Keep the rows of the last step under its name for the length of a `with` block, for queries that share them.

    They are temporary: the registry's file is not touched.
    """
    if shared := shared_tables(registry):
        with _started(registry, steps, values, texts or {}) as left:
            sql = statement(left, f"from {name}", texts or {})
            number = shared.table(sql, _bound(sql, values))
        with shared.under(name, number):
            yield
        return
    sql = statement(steps, f"from {name}", texts or {})
    _LOG.debug("%s", sql)
    registry.connection.execute(f"create or replace temp table {name} as {sql}", _bound(sql, values))
    try:
        yield
    finally:
        registry.connection.execute(f"drop table temp.{name}")


@contextmanager
def _started(
    registry: Registry, steps: Sequence[str], values: Mapping[str, Any], texts: Mapping[str, str]
) -> Iterator[Sequence[str]]:
    """The steps that are left to run: inside `sharing` what most of them start from stands ready."""
    shared = shared_tables(registry)
    if shared is None:
        yield steps
        return
    with ExitStack() as stack:
        for step, own in _SHARED.items():
            if step in steps:
                sql = statement(own, f"from {step}", texts)
                number = shared.table(sql, _bound(sql, values), start=step)
                stack.enter_context(shared.under(step, number))
        yield [step for step in steps if step not in _SHARED]


def step_text(step: str, texts: Mapping[str, str]) -> str:
    """The text of one step, or of an expression that a step takes as text."""
    text = _written(step)
    for name, replacement in texts.items():
        text = text.replace("{" + name + "}", replacement)
    return text


@cache
def _written(step: str) -> str:
    return (files("pipelines") / "sql" / f"{step}.sql").read_text(encoding="utf-8").strip()


def _bound(sql: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """The values that the statement names."""
    without_comments = re.sub(r"--.*", "", sql)
    return {name: values[name] for name in sorted(set(_PARAMETER.findall(without_comments)))}
