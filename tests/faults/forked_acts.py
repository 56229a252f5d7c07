"""Acts on a registry in forked children that are killed in the midst of them.

Run as a program of its own, which imports everything once, so that a child begins at once. It reads one order a line as
JSON, forks a child that carries it out, kills the child `after_seconds` after it announced the step `since` ("start" is
its beginning; null lets it end first), and answers with one line. A child that has ended its act waits to be killed.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pipelines.sources.parquet
import pipelines.sources.workbook  # noqa: F401  (imported for the children)
from pipelines.exports import Level, export_cohort, let_out
from pipelines.intake import run_intake
from pipelines.intake.validation import make_validator
from pipelines.patients import erase_patient
from registry import Registry, open_registry
from registry.database_file import DATABASE_FILE, connect_to_write
from registry.settings import SETTINGS_FILE, load_settings
from tests.pipelines.intake.sound_rows import TODAY

Tell = Callable[[str], None]
CLOSING = "closing"
"""The step after the transaction: the copy is brought to rest and takes its place."""
ENDED = "ended"
_LONGEST_SECONDS = 300


def intake(order: dict[str, Any], tell: Tell) -> None:
    with open_registry(order["folder"], read_only=False) as registry:
        run_intake(registry, [Path(order["what"])], today=TODAY, received_by="test", progress=tell)
        tell(CLOSING)


def intake_in_place(order: dict[str, Any], tell: Tell) -> None:
    """As versions before 2026-11-28 did: in the file itself, what was committed standing in a log beside it."""
    folder = Path(order["folder"])
    registry = Registry(folder, load_settings(folder / SETTINGS_FILE), connect_to_write(folder / DATABASE_FILE))
    run_intake(registry, [Path(order["what"])], today=TODAY, received_by="test", progress=tell)
    tell(CLOSING)
    time.sleep(_LONGEST_SECONDS)


def erase(order: dict[str, Any], tell: Tell) -> None:
    erase_patient(Path(order["folder"]), order["what"], received_by="test", today=TODAY)


def export(order: dict[str, Any], tell: Tell) -> None:
    folder = Path(order["folder"])
    with let_out(folder, exported_from(folder)) as (registry, beside):
        export_cohort(registry, order["what"], beside, level=Level.INTERNAL, exported_by="test", progress=tell)
        tell(CLOSING)


def exported_from(folder: Path) -> Path:
    """Where an export from this registry goes."""
    return folder.with_name(f"{folder.name}_export")


def migrate(order: dict[str, Any], tell: Tell) -> None:
    with open_registry(order["folder"], read_only=False):
        tell(CLOSING)


ACTS = {"intake": intake, "intake in place": intake_in_place, "erase": erase, "export": export, "migrate": migrate}


def carry_out(order: dict[str, Any], writing: int) -> None:
    """Carry out an order in the child, telling its steps; never returns."""

    def tell(step: str) -> None:
        os.write(writing, f"{step}\n".encode())

    try:
        tell("start")
        ACTS[order["act"]](order, tell)
        tell(ENDED)
        time.sleep(_LONGEST_SECONDS)
    except Exception as error:
        sys.stderr.write(f"{type(error).__name__}: {error}\n")
        sys.stderr.flush()
    os._exit(1)


def answer(order: dict[str, Any]) -> dict[str, Any]:
    """Have an order carried out, and kill the child when its time has come.

    The answer: whether it was `killed`, whether it had `ended` its act before, `seconds` from the step to the kill.
    """
    reading, writing = os.pipe()
    process = os.fork()
    if not process:
        os.close(reading)
        carry_out(order, writing)
    os.close(writing)
    with os.fdopen(reading) as steps:
        next((step for step in steps if step.rstrip("\n") == order["since"]), None)
        began = time.perf_counter()
        if order["since"] == ENDED:
            pass
        elif order["after_seconds"] is None:
            next((step for step in steps if step.rstrip("\n") == ENDED), None)
        else:
            time.sleep(order["after_seconds"])
        seconds = time.perf_counter() - began
        os.kill(process, signal.SIGKILL)
        _, status = os.waitpid(process, 0)
        ended = order["since"] == ENDED or order["after_seconds"] is None or ENDED in steps.read().split()
    return {"killed": os.WIFSIGNALED(status), "ended": ended, "seconds": seconds}


if __name__ == "__main__":
    make_validator()
    for line in sys.stdin:
        sys.stdout.write(json.dumps(answer(json.loads(line))) + "\n")
        sys.stdout.flush()
