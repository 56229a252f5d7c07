"""What a site declares for a quarter, given at the terminal: a row like any other, through the same checks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from hashlib import sha256

import polars as pl

from registry import Fault, GraftledgerError, Registry
from registry.definition import SITE_PERIOD, RecordType

from .aliases import note_aliases
from .entries import note_claims
from .incoming import CLAIMED, ROW_NUMBER, Incoming
from .judging import held_back_reasons
from .report import IntakeReport
from .run import Occasion, Progress, delivery_connection, take_in
from .staging import stage

_SOURCE = "declaration"


def declare_activity(
    registry: Registry,
    *,
    site: str,
    quarter: str,
    complete_to: date,
    sessions: int | None = None,
    today: date,
    received_by: str,
    progress: Progress = lambda words: None,
) -> IntakeReport:
    """Take in what a site declares for a quarter. A quarter declared before is corrected.

    sessions: of the quarter by the theatre list; None where the site does not say.
    complete_to: day up to which every session at the site is in the registry.

    Raises: GraftledgerError where a check fails; nothing is changed then.
    """
    values = {
        "site_code": site,
        "quarter": quarter,
        "sessions_declared": None if sessions is None else str(sessions),
        "records_complete_to": complete_to.isoformat(),
    }
    frame = pl.DataFrame(
        {**{name: [value] for name, value in values.items()}, ROW_NUMBER: [1], CLAIMED: [None]},
        schema={**dict.fromkeys(values, pl.String), ROW_NUMBER: pl.Int64, CLAIMED: pl.List(pl.Int64)},
    )
    digest = sha256(repr((received_by, today, values)).encode()).hexdigest()
    table = Incoming(SITE_PERIOD, _SOURCE, None, digest, frame)
    occasion = Occasion(registry, today, received_by, progress)
    with delivery_connection(registry) as connection:
        files = stage(connection, [table])
        note_aliases(connection)
        note_claims(connection)

        def accept(records: Sequence[RecordType]) -> None:
            faults = [
                Fault(f"{found.reason}.", field=found.field, mend=found.mend)
                for found in held_back_reasons(connection, SITE_PERIOD, file_id=0)
            ]
            if faults:
                raise GraftledgerError(*faults)

        return take_in(connection, occasion, files, "declare", accept=accept)
