"""Setting rows held back aside for good, with a reason from a short list."""

from __future__ import annotations

from collections.abc import Iterable

from registry import Fault, GraftledgerError, Registry
from registry.changes import begin_event, end_event, transaction
from registry.errors import nearest

DISMISSAL_REASONS: dict[str, str] = {
    "duplicate": "the record is in the registry under another row",
    "not_a_patient_record": "the row is a test, a total or a note, and no record",
    "cannot_be_mended": "what is wrong cannot be found out any more",
    "other": "another reason",
}
"""Code to meaning."""


def dismiss(registry: Registry, numbers: Iterable[int], *, reason: str, received_by: str) -> int:
    """Close entries without taking their rows in. All of them or none. Returns the number of the event.

    Raises: GraftledgerError where an entry is not known or is closed already, or the reason is not on the list.
    """
    if reason not in DISMISSAL_REASONS:
        raise GraftledgerError(f"'{reason}' is no reason for this. {nearest(reason, list(DISMISSAL_REASONS))}")
    chosen = sorted(set(numbers))
    if not chosen:
        raise GraftledgerError("No entry was named.")
    status = dict(
        registry.connection.execute(
            "select held_back_id, status from held_back_row where held_back_id in (select unnest(?::bigint[]))",
            [chosen],
        ).fetchall()
    )
    faults = [Fault(f"there is no entry {number}.") for number in chosen if number not in status]
    faults += [
        Fault(f"entry {number} is {status[number]} already.")
        for number in chosen
        if status.get(number) not in (None, "open", "waiting")
    ]
    if faults:
        raise GraftledgerError(*faults)
    with transaction(registry.connection):
        event = begin_event(registry.connection)
        registry.connection.execute(
            "update held_back_row set closed_as = 'dismissed', dismissed_reason = ?, closed_by_intake_id = ? "
            "where held_back_id in (select unnest(?::bigint[]))",
            [reason, event.intake_id, chosen],
        )
        end_event(registry.connection, event, "dismiss", received_by)
    return event.intake_id
