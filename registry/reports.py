"""The ledger of reports that were written from a registry, so that an erasure can name those that counted a patient."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from .changes import last_intake_id, transaction
from .errors import GraftledgerError
from .store import Registry, open_registry


def register_report(folder: Path, kind: str, period: str | None, *, intake_id: int, snapshot: str) -> str | None:
    """Write a report down. Returns None, or the reason why that could not be done; the report stands either way.

    kind: such as `audit`. period: such as a quarter. intake_id: the event after which the registry was shown.
    snapshot: of the records that the report rests on.
    """
    import duckdb

    try:
        with open_registry(folder, read_only=False) as registry, transaction(registry.connection):
            registry.connection.execute(
                "insert into report_ledger select coalesce(max(report_id), 0) + 1, ?, ?, ?, ?, ? from report_ledger",
                [kind, period, intake_id, snapshot, datetime.now(UTC).replace(tzinfo=None)],
            )
    except GraftledgerError as refusal:
        return str(refusal.faults[0])
    except duckdb.Error as error:
        return f"the registry could not be written ({type(error).__name__})."
    return None


def shown_intake_id(registry: Registry) -> int:
    """The event after which the registry is shown; 0 before the first."""
    return registry.as_of_intake if registry.as_of_intake is not None else last_intake_id(registry.connection)
