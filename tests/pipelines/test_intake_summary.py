"""What came in and what was held back, over several intakes."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.intake import run_intake
from pipelines.intake_summary import (
    HeldBackCount,
    IntakeCount,
    held_back_counts,
    held_back_rows,
    intake_counts,
    intake_summary,
)
from registry import GraftledgerError, open_registry
from tests.pipelines.intake.sound_rows import TODAY, numbered, write_csv

NOT_A_CODE = "the value is not one of the field's codes"


def test_three_intakes(empty_registry: Path, tmp_path: Path) -> None:
    """By hand: the sessions come before their patients, are sent again with them, and a patient is mended last."""
    sessions = write_csv(tmp_path / "session.csv", [numbered("session", number) for number in (1, 2)])
    patients = write_csv(
        tmp_path / "patient.csv", [numbered("patient", 1), numbered("patient", 2, sex="x", smoking="x")]
    )
    mended = write_csv(tmp_path / "mended.csv", [numbered("patient", 2)])
    with open_registry(empty_registry, read_only=False) as registry:
        with pytest.raises(GraftledgerError, match="no intake yet"):
            held_back_rows(registry)
        for delivery in ([sessions], [sessions, patients], [mended]):
            run_intake(registry, delivery, today=TODAY, received_by="test")

        assert intake_counts(registry) == (
            IntakeCount(1, "session", 2, 0, 0, 2),
            IntakeCount(2, "patient", 2, 1, 0, 1),
            IntakeCount(2, "session", 2, 1, 0, 1),
            IntakeCount(3, "patient", 1, 1, 0, 0),
        )
        assert held_back_counts(registry) == (
            HeldBackCount(
                1,
                "session",
                "unknown_patient",
                "patient_key",
                "its patient is neither in the registry nor in this delivery",
                2,
            ),
            HeldBackCount(2, "patient", "unknown_code", "sex", NOT_A_CODE, 1),
            HeldBackCount(2, "patient", "unknown_code", "smoking", NOT_A_CODE, 1),
            HeldBackCount(
                2, "session", "unknown_patient", "patient_key", "its patient was held back in this delivery", 1
            ),
        )
        assert held_back_rows(registry) == ()
        assert [(row.file, row.row, row.rule) for row in held_back_rows(registry, 1)] == [
            ("session.csv", 1, "unknown_patient"),
            ("session.csv", 2, "unknown_patient"),
        ]
        assert {(figure.measure, *figure.group.values()): figure.n for figure in intake_summary(registry)} == {
            ("rows_read", "patient"): 3,
            ("rows_taken_in", "patient"): 2,
            ("rows_held_back", "patient"): 1,
            ("rows_read", "session"): 2,
            ("rows_taken_in", "session"): 1,
            ("rows_held_back", "session"): 1,
            ("rows_held_back", "patient", "unknown_code"): 1,
            ("rows_held_back", "session", "unknown_patient"): 1,
        }


def test_an_empty_registry_has_no_figures(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry:
        assert intake_summary(registry) == intake_counts(registry) == held_back_counts(registry) == ()
