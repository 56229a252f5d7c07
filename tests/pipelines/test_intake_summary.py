"""What came in and what is held back, over several intakes."""

from __future__ import annotations

from pathlib import Path

from pipelines.intake import run_intake
from pipelines.intake_summary import HeldBackCount, IntakeCount, held_back_counts, intake_counts, intake_summary
from registry import Registry, open_registry
from tests.pipelines.intake.sound_rows import TODAY, numbered, write_csv

NOT_A_CODE = "the value is not one of the field's codes"
NO_PATIENT = "its patient is neither in the registry nor in this delivery"
PATIENT_HELD = "its patient was held back in this delivery"


def counted(registry: Registry) -> dict[tuple[str, ...], int]:
    return {(figure.measure, *figure.group.values()): figure.n for figure in intake_summary(registry)}


def test_three_intakes(empty_registry: Path, tmp_path: Path) -> None:
    """By hand: the sessions come before their patients, are sent again with them, and a patient is mended last.

    What is held back is counted by what is open after each: two sessions; then one session and its patient; nothing.
    """
    sessions = write_csv(tmp_path / "session.csv", [numbered("session", number) for number in (1, 2)])
    patients = write_csv(
        tmp_path / "patient.csv", [numbered("patient", 1), numbered("patient", 2, sex="x9", smoking="x9")]
    )
    mended = write_csv(tmp_path / "mended.csv", [numbered("patient", 2)])
    with open_registry(empty_registry, read_only=False) as registry:
        run_intake(registry, [sessions], today=TODAY, received_by="test")
        assert held_back_counts(registry) == (
            HeldBackCount("session", "unknown_patient", "patient_key", NO_PATIENT, 2),
        )
        assert counted(registry) == {
            ("rows_read", "session"): 2,
            ("rows_taken_in", "session"): 0,
            ("rows_held_back_then", "session"): 2,
            ("rows_refused", "session"): 0,
            ("rows_held_back", "session"): 2,
            ("rows_held_back", "session", "unknown_patient"): 2,
        }

        run_intake(registry, [sessions, patients], today=TODAY, received_by="test")
        assert held_back_counts(registry) == (
            HeldBackCount("patient", "unknown_code", "sex", NOT_A_CODE, 1),
            HeldBackCount("patient", "unknown_code", "smoking", NOT_A_CODE, 1),
            HeldBackCount("session", "unknown_patient", "patient_key", PATIENT_HELD, 1),
        )

        run_intake(registry, [mended], today=TODAY, received_by="test")
        assert held_back_counts(registry) == ()
        assert intake_counts(registry) == (
            IntakeCount(1, "session", 2, 0, 0, 0, 2, 0),
            IntakeCount(2, "patient", 2, 1, 0, 0, 1, 0),
            IntakeCount(2, "session", 2, 1, 0, 0, 1, 0),
            IntakeCount(3, "patient", 1, 1, 0, 0, 0, 0),
        )
        assert counted(registry) == {
            ("rows_read", "patient"): 3,
            ("rows_taken_in", "patient"): 2,
            ("rows_held_back_then", "patient"): 1,
            ("rows_refused", "patient"): 0,
            ("rows_held_back", "patient"): 0,
            ("rows_read", "session"): 2,
            ("rows_taken_in", "session"): 1,
            ("rows_held_back_then", "session"): 1,
            ("rows_refused", "session"): 0,
            ("rows_held_back", "session"): 0,
        }
        assert registry.connection.execute("select count(*) from session").fetchall() == [(2,)]


def test_as_of_an_earlier_intake_the_counts_are_those_of_then(empty_registry: Path, tmp_path: Path) -> None:
    sessions = write_csv(tmp_path / "session.csv", [numbered("session", 1)])
    patients = write_csv(tmp_path / "patient.csv", [numbered("patient", 1)])
    with open_registry(empty_registry, read_only=False) as registry:
        run_intake(registry, [sessions], today=TODAY, received_by="test")
        then = (intake_counts(registry), held_back_counts(registry), intake_summary(registry))
        run_intake(registry, [patients], today=TODAY, received_by="test")
        assert (intake_counts(registry), held_back_counts(registry), intake_summary(registry)) != then
    with open_registry(empty_registry, as_of_intake=1) as registry:
        assert (intake_counts(registry), held_back_counts(registry), intake_summary(registry)) == then


def test_an_empty_registry_has_no_figures(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry:
        assert intake_summary(registry) == intake_counts(registry) == held_back_counts(registry) == ()
