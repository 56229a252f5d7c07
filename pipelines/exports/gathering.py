"""The rows of an export, read as sets from the registry."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from registry import literal, quoted
from registry.definition import record_type
from registry.store import Registry

from .._queries import KNOWN_SESSION, SESSION_HERE, kept
from ..cohorts import CohortDefinition
from ..duration_intervals import DURATION_SESSION, measure_texts, measure_values
from ..duration_measures import DURATION_MEASURES
from ..groups import shared_texts, shared_values
from .columns import KEY_LETTERS, Column
from .tables import Table

if TYPE_CHECKING:
    import polars as pl

_MEMBERS = "b.patient_key in (select patient_key from cohort_patient where left_out_by is null)"
_BLOCK = 64
"""Bytes of a block of SHA-256."""

_CHILDREN = {
    "visit": "c.visited_on",
    "complication": "s.performed_on + coalesce(c.onset_day, 0)",
    "graft_count": "c.counted_on",
}
"""Records below a session, and the day on which each became known."""


def secret_for(seed: int | None) -> bytes:
    """The secret behind the keys of one export: drawn and never kept, or the same for the same seed.

    A seed makes the keys repeatable, and lets whoever knows it and the registry's own keys make them again.
    """
    return secrets.token_bytes(32) if seed is None else sha256(f"graftledger export {seed}".encode()).digest()


def key_of(secret: bytes, key: str) -> str:
    """The key that takes the place of another: the first letters of its HMAC-SHA256 (RFC 2104)."""
    return hmac.new(secret, key.encode(), sha256).hexdigest()[:KEY_LETTERS]


def _key_macro(secret: bytes | None) -> str:
    """The same in SQL, so that keys are made as a set; without a secret keys stay as they are."""
    if secret is None:
        return "create or replace temp macro export_key(k) as k"
    padded = secret.ljust(_BLOCK, b"\0")
    inner, outer = (f"unhex('{bytes(byte ^ pad for byte in padded).hex()}')" for pad in (0x36, 0x5C))
    return (
        "create or replace temp macro export_key(k) as "
        f"left(sha256({outer} || unhex(sha256({inner} || encode(k)))), {KEY_LETTERS})"
    )


@contextmanager
def kept_export(registry: Registry, definition: CohortDefinition, secret: bytes | None) -> Iterator[None]:
    """Keep what the rows of every table are read from for the length of a `with` block, under the keys of the export.

    Patients and sessions are few, and get their new keys here, once; what lies below them is read through views.
    Needs the temporary table `cohort_patient`, see `kept_members`. secret: see `secret_for`; None keeps the registry's
    keys.
    """
    settings, as_of = registry.settings, definition.followed_to
    values = shared_values(settings, as_of) | {"every_session": True, "from_number": None, "to_number": None}
    texts = shared_texts(()) | {"chosen": _MEMBERS}
    spell = {"groups": "session_key, number_here, start_on,", "spell": "spell_here"}
    run = registry.connection.execute
    with ExitStack() as stack:

        def keep(name: str, *steps: str, **more: str) -> None:
            stack.enter_context(kept(registry, name, steps, values, texts | more))

        run(_key_macro(secret))
        stack.callback(run, "drop macro temp.export_key")
        keep("export_patient", *KNOWN_SESSION, "export_patient")
        keep("export_session", *KNOWN_SESSION, "export_session")
        with kept(registry, "session_here", SESSION_HERE, values, texts):
            keep("export_gap", "start", "spell_here", "judged_spell", "export_gap", **spell)
            _keep_durations(registry, values, texts)
            stack.callback(run, "drop table temp.export_interval")
        for child, known_on in _CHILDREN.items():
            own = record_type(child).key[0]
            run(
                f"create or replace temp view export_{child} as select c.* replace "
                f"(export_key(c.{own}) as {own}, s.session_key as session_key), s.patient_key, s.index_on "
                f"from {quoted(child)} c join export_session s on s.registry_key = c.session_key "
                f"where {known_on} <= s.known_to"
            )
            stack.callback(run, f"drop view temp.export_{child}")
        run(
            "create or replace temp view export_duration as "
            "select s.session_key, s.patient_key, i.measure, i.left_day, i.right_day "
            "from export_interval i join export_session s on s.registry_key = i.session_key"
        )
        stack.callback(run, "drop view temp.export_duration")
        yield


def _keep_durations(registry: Registry, values: dict[str, object], texts: dict[str, str]) -> None:
    """All measures in one table; what each session's interval is, the figures of durations decide.

    Needs the temporary table `session_here`.
    """
    connection = registry.connection
    connection.execute(
        "create or replace temp table export_interval "
        "(session_key varchar, measure varchar, left_day bigint, right_day bigint)"
    )
    with (
        kept(registry, "judged_session", ("judged_session",), values, texts),
        kept(registry, "session_next", ("session_next",), values, texts),
        kept(registry, "session_contact", ("site_end", "contact", "session_contact"), values),
    ):
        steps = ("site_end", "contact", *DURATION_SESSION, "export_duration_rows")
        for measure in DURATION_MEASURES:
            of_measure = values | measure_values(measure) | {"measure": measure.of}
            predicates = {"groups": "s.session_key,"} | measure_texts(measure)
            with kept(registry, "export_duration_rows", steps, of_measure, texts | predicates):
                connection.execute("insert into export_interval from export_duration_rows")


def frame_of(registry: Registry, table: Table, scratch: Path) -> pl.LazyFrame:
    """The rows of a table in the order of its key, as the level's columns give them; codes as numbers with names.

    scratch: folder that stays while the frame is used. The rows are put in order on the disk, so they need not fit in
    memory.
    """
    import polars as pl

    codes = {column.name: pl.Enum([code.name for code in column.codes]) for column in table.columns if column.codes}
    chosen = ", ".join(f"{_told(column)} as {quoted(column.name)}" for column in table.columns)
    file = scratch / f"{table.name}.parquet"
    registry.connection.execute(
        f"copy (select {chosen} from {table.relation} t order by {', '.join(table.key)}) to {literal(str(file))} "
        "(format parquet)"
    )
    return pl.scan_parquet(file).cast(codes)  # type: ignore[arg-type]


def _told(column: Column) -> str:
    names = ", ".join(literal(code.name) for code in column.codes)
    return f"cast({column.sql} as enum({names}))" if names else column.sql
