"""Commands that concern all records of one patient: erasing them, and merging two keys of one person."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import GraftledgerError

from ._app import RegistryOption, command, note, say
from ._intake import ReceivedByOption, TodayOption, login
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.patients import PatientTrace


@command("erase-patient")
def erase_patient(
    patient_key: Annotated[str, typer.Argument(metavar="PATIENT_KEY", help="Key of the patient.")],
    registry: RegistryOption = Path("."),
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
    received_by: ReceivedByOption = None,
) -> None:
    """Erase a patient from every table, from history, from the rows held back and from the database file."""
    from pipelines.patients import erase_patient as erase
    from pipelines.patients import find_patient
    from registry import open_registry

    from ..web.copies import forget_copies

    with open_registry(registry) as opened:
        found = find_patient(opened, patient_key)
    for line in trace_lines(found):
        say(line)
    if not yes and not typer.confirm("Erase all of it? This cannot be undone.", err=True):
        raise GraftledgerError("Nothing was erased.")
    with progress_line() as progress:
        progress("Erasing, and writing the database anew")
        done = erase(registry, patient_key, received_by=received_by or login())
    say(f"Erased (event {done.intake_id}). Rows of this patient that are sent again will be refused.")
    if done.erased.reports:
        say("Reports that were written while the patient was in the registry:")
        for report in done.erased.reports:
            written = f"written {report.written_at:%Y-%m-%d}, as of intake {report.intake_id}"
            say(f"  {' '.join(filter(None, (report.kind, report.period)))}, {written}")
    if done.erased.exports:
        say("Exports that hold the patient (graftledger exports list); their holders must erase the rows too:")
        say(f"  {', '.join(str(number) for number in done.erased.exports)}")
    if forget_copies(registry):
        say("What the web application had prepared, and files sent to it and not taken in, went too.")
    note(
        "Not within reach of this command: backups of the registry, folders of\n"
        "write-parquet, reports and exports already written, what the site keeps, and\n"
        "what the disk itself remembers of deleted files.\nSee docs/corrections_and_erasure.md."
    )


@command("merge-patients")
def merge_patients(
    kept_key: Annotated[str, typer.Argument(metavar="KEEP_KEY", help="The key that stays.")],
    other_key: Annotated[str, typer.Argument(metavar="OTHER_KEY", help="The other key of the same patient.")],
    undo: Annotated[bool, typer.Option("--undo", help="Part two keys that were merged.")] = False,
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
    today: TodayOption = None,
) -> None:
    """Make two keys of one patient one: the sessions of the other key, now and later, belong to the key that stays."""
    from pipelines import patients
    from registry import open_registry

    with open_registry(registry, read_only=False) as opened, progress_line() as progress:
        differing = () if undo else patients.differing_fields(opened, kept_key, other_key)
        act = patients.undo_merge if undo else patients.merge_patients
        report = act(
            opened,
            kept_key,
            other_key,
            today=today.date() if today else date.today(),
            received_by=received_by or login(),
            progress=progress,
        )
    say(f"{'Parted' if undo else 'Merged'} (event {report.intake_id}).")
    if differing:
        say(f"The two rows differed in: {', '.join(differing)}. The row of the key that stays is kept as it is.")
    for count in report.returned:
        taken = count.loaded + count.corrected + count.unchanged
        say(f"Held back before and judged again: {count.judged:,} of {count.record}; {taken:,} came in.")
    say(f"Snapshot {report.snapshot_before} before, {report.snapshot_after} after.")


def trace_lines(found: PatientTrace) -> list[str]:
    """What the registry holds of a patient."""
    from registry import RECORD_TYPES

    lines = [f"{'record':<16}{'current':>9}{'history':>9}{'held back':>11}"]
    for record in RECORD_TYPES:
        counts = [found.rows.get((record.name, place), 0) for place in ("current", "history", "held back")]
        if any(counts):
            lines.append(f"{record.plural:<16}{counts[0]:>9,}{counts[1]:>9,}{counts[2]:>11,}")
    if found.keys > 1:
        lines.append(f"The patient goes by {found.keys} keys, which were merged; all are erased.")
    return lines
