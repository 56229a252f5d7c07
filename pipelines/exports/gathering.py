"""The rows of an export, read as sets from the registry."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from hashlib import sha256
from typing import TYPE_CHECKING

from registry import quoted
from registry.store import Registry

from .._queries import SESSION_HERE, kept, rows
from ..cohorts import CohortDefinition, kept_members
from ..duration_measures import DURATION_MEASURES
from ..groups import shared_values
from .columns import KEY_LETTERS
from .tables import Table

if TYPE_CHECKING:
    import polars as pl

_MEMBERS = "p.patient_key in (select patient_key from cohort_patient where left_out_by is null)"
_BLOCK = 64
"""Bytes of a block of SHA-256."""

_CHILDREN = {
    "visit": "c.visited_on <= coalesce($as_of::date, c.visited_on)",
    "complication": "s.performed_on + coalesce(c.onset_day, 0) <= coalesce($as_of::date, 'infinity'::date)",
    "graft_count": "c.counted_on <= coalesce($as_of::date, c.counted_on)",
}
"""Records below a session, and which of them were known by the last day of follow-up."""


def secret_for(seed: int | None) -> bytes:
    """The secret behind the keys of one export: drawn and never kept, or the same for the same seed.

    A seed makes the keys repeatable, and lets whoever knows it and the registry's own keys make them again.
    """
    return secrets.token_bytes(32) if seed is None else sha256(f"graftledger export {seed}".encode()).digest()


def key_of(secret: bytes, key: str) -> str:
    """The key that takes the place of another: the first letters of its HMAC-SHA256 (RFC 2104)."""
    return hmac.new(secret, key.encode(), sha256).hexdigest()[:KEY_LETTERS]


def _key_macro(secret: bytes) -> str:
    """The same in SQL, so that keys are made as a set."""
    padded = secret.ljust(_BLOCK, b"\0")
    inner, outer = (f"unhex('{bytes(byte ^ pad for byte in padded).hex()}')" for pad in (0x36, 0x5C))
    return (
        "create or replace temp macro export_key(k) as "
        f"left(sha256({outer} || unhex(sha256({inner} || encode(k)))), {KEY_LETTERS})"
    )


@contextmanager
def kept_export(registry: Registry, definition: CohortDefinition, secret: bytes) -> Iterator[None]:
    """Keep the rows of every table as temporary tables for the length of a `with` block."""
    settings, as_of = registry.settings, definition.followed_to
    values = shared_values(settings, as_of) | {"every_session": True, "from_number": None, "to_number": None}
    texts = {"group_definitions": "", "chosen": _MEMBERS}
    spell = {"groups": "session_key, number_here, start_on,", "spell": "spell_here"}
    with ExitStack() as stack:

        def keep(name: str, *steps: str, **more: str) -> None:
            stack.enter_context(kept(registry, name, steps, values, texts | more))

        stack.enter_context(kept_members(registry, definition))
        keep("export_patient", "known_session", "export_patient")
        keep("export_session", "known_session", "export_session")
        keep("export_gap", *SESSION_HERE, "start", "spell_here", "judged_spell", "export_gap", **spell)
        for child, known in _CHILDREN.items():
            registry.connection.execute(
                f"create or replace temp table export_{child} as "
                f"select c.*, s.patient_key, s.index_on from {quoted(child)} c "
                f"join export_session s on s.session_key = c.session_key where {known}",
                {"as_of": as_of} if "$as_of" in known else {},
            )
            stack.callback(registry.connection.execute, f"drop table temp.export_{child}")
        _keep_durations(registry, values, texts)
        stack.callback(registry.connection.execute, "drop table temp.export_duration")
        registry.connection.execute(_key_macro(secret))
        stack.callback(registry.connection.execute, "drop macro temp.export_key")
        yield


def _keep_durations(registry: Registry, values: dict[str, object], texts: dict[str, str]) -> None:
    """All measures in one table; what each session's interval is, the figures of durations decide."""
    connection = registry.connection
    connection.execute(
        "create or replace temp table export_duration (session_key varchar, patient_key varchar, measure varchar, "
        "left_day bigint, right_day bigint)"
    )
    with kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts):
        for measure in DURATION_MEASURES:
            of_measure = values | {
                "kind": measure.kind,
                "from_day": measure.from_day,
                "first_look_by": measure.first_look_by,
                "grid": measure.grid_days,
                "measure": measure.of,
            }
            predicates = {
                "groups": "s.session_key,",
                "answered": measure.answered,
                "present": measure.present,
                "present_before": measure.present_before,
            }
            steps = ("duration_look", "duration_interval", "duration_session", "export_duration_rows")
            with kept(registry, "export_duration_rows", steps, of_measure, texts | predicates):
                connection.execute("insert into export_duration from export_duration_rows")


def frame_of(registry: Registry, table: Table) -> pl.DataFrame:
    """The rows of a table in the order of its key, as the level's columns give them."""
    chosen = ", ".join(f"{column.sql} as {quoted(column.name)}" for column in table.columns)
    order = ", ".join(quoted(name) for name in table.key)
    return rows(registry, (), f"select {chosen} from {table.relation} t order by {order}", {})


def frames_of(
    registry: Registry, tables: tuple[Table, ...], progress: Callable[[str], None]
) -> dict[str, pl.DataFrame]:
    """The rows of all tables, by name."""
    frames = {}
    for table in tables:
        progress(f"Reading {table.name}")
        frames[table.name] = frame_of(registry, table)
    return frames
