"""One intake as it is kept, and the batches of a site one after another. Every expectation is *by hand*."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines.intake import run_intake
from pipelines.intake_batch import FailedRows, OpenEntries, SettledEntries, intake_batch, total
from pipelines.intake_trend import row_share, site_trend
from pipelines.patients import erase_patient
from registry import GraftledgerError, open_registry
from registry.definition import Severity
from registry.store import start_registry
from tests.pipelines.intake.sound_rows import TODAY, Row, numbered, write_csv


def deliver(registry: Path, folder: Path, **rows: list[Row]) -> None:
    files = [write_csv(folder / f"{name}.csv", lines) for name, lines in rows.items()]
    with open_registry(registry, read_only=False) as opened:
        run_intake(opened, files, today=TODAY, received_by="test")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two batches of site A, one of site B, one of both.

    1: patient 1 is sound, 2 unlikely, 3 at fault. 2: patient 1 again, 3 mended, 4 and 5 at fault in the same way;
    session 9 has no patient. 3: patient 6 of site B. 4: patients of both sites.
    """
    place = tmp_path_factory.mktemp("batches")
    registry = place / "registry"
    start_registry(registry, ["A", "B"], ["S1", "S2"], "Test practice")
    deliver(
        registry,
        place / "1",
        patient=[
            numbered("patient", 1),
            numbered("patient", 2, donor_density_fu_cm2="120"),
            numbered("patient", 3, sex="x9"),
        ],
    )
    deliver(
        registry,
        place / "2",
        patient=[
            numbered("patient", 1),
            numbered("patient", 3),
            numbered("patient", 4, sex="x9"),
            numbered("patient", 5, sex="x9"),
        ],
        session=[numbered("session", 9)],
    )
    deliver(registry, place / "3", patient=[numbered("patient", 6, site_code="B")])
    deliver(
        registry,
        place / "4",
        patient=[numbered("patient", 7), numbered("patient", 8, site_code="B", sex="x9")],
    )
    return registry


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may change."""
    return shutil.copytree(made, tmp_path / "registry")


def test_what_came_in(folder: Path) -> None:
    with open_registry(folder) as registry:
        batch = intake_batch(registry, 2)
    assert (batch.intake_id, batch.kind, batch.received_by, batch.sites) == (2, "files", "test", ("A",))
    patients, sessions = batch.files
    assert (patients.label, patients.read, patients.judged, patients.taken_in, patients.unchanged) == (
        "patient.csv",
        4,
        3,
        1,
        1,
    )
    assert (patients.held_back, patients.waiting, sessions.held_back, sessions.waiting) == (2, 0, 1, 1)
    assert total(batch.files).read == 5
    assert dict(batch.entries) == {"open": 2, "waiting": 1}
    assert batch.still_open == (OpenEntries("A", False, 2, 1),)
    assert batch.settled == (SettledEntries(1, loaded=0, corrected=1, replaced=0),)
    assert [file.mapping_digest for file in batch.files] == [None, None]


def test_what_the_checks_found(folder: Path) -> None:
    with open_registry(folder) as registry:
        batch, first = intake_batch(registry, 2), intake_batch(registry, 1)
    codes, parent = batch.found(Severity.HOLD)
    assert (codes.record, codes.rule, codes.field, codes.judged, codes.failed) == (
        "patient",
        "unknown_code",
        "sex",
        3,
        2,
    )
    assert codes.places == (FailedRows("patient.csv", 2, (3, 4)),)
    assert (parent.record, parent.rule, parent.judged, parent.failed) == ("session", "unknown_patient", 1, 1)
    assert batch.found(Severity.WARN) == ()
    (unlikely,) = first.found(Severity.WARN)
    assert (unlikely.field, unlikely.judged, unlikely.failed) == ("donor_density_fu_cm2", 3, 1)
    assert unlikely.places == (FailedRows("patient.csv", 1, (2,)),)


def test_what_became_of_the_rows_since(folder: Path) -> None:
    with open_registry(folder) as registry:
        assert dict(intake_batch(registry, 1).entries) == {"corrected": 1}


def test_left_out_it_is_the_latest_that_took_files_in(folder: Path) -> None:
    erase_patient(folder, numbered("patient", 1)["patient_key"], received_by="test")
    with open_registry(folder) as registry:
        batch = intake_batch(registry)
        assert (batch.intake_id, batch.erased_since) == (4, 1)
        with pytest.raises(GraftledgerError, match=r"event 5 \(erase\) judged no rows"):
            intake_batch(registry, 5)
        with pytest.raises(GraftledgerError, match=r"no intake 6.\s+Known: 1 to 5"):
            intake_batch(registry, 6)


def test_before_the_first_intake(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry, pytest.raises(GraftledgerError, match="no intake yet"):
        intake_batch(registry)


def test_the_trend_of_a_site(folder: Path) -> None:
    """The waiting session is of site A; the file of both sites counts under each, whole."""
    with open_registry(folder) as registry:
        of_a = site_trend(registry, "A", until_intake=4)
        of_b = site_trend(registry, "B", until_intake=4)
        earlier = site_trend(registry, "A", until_intake=2)
    assert [(step.intake_id, step.read, step.held_back.events, step.held_back.n) for step in of_a] == [
        (1, 3, 1, 3),
        (2, 5, 3, 4),
        (4, 2, 1, 2),
    ]
    assert [(step.warned.events, step.warned.n) for step in of_a] == [(1, 2), (0, 1), (0, 1)]
    assert [(step.intake_id, step.held_back.events, step.held_back.n) for step in of_b] == [(3, 0, 1), (4, 1, 2)]
    assert earlier == of_a[:2]


def test_shares_against_other_software() -> None:
    """*Other software*, R 4.2: prop.test(15, 148, correct = FALSE)."""
    share = row_share("held_back", 15, 148, 10)
    assert (round(share.lower or 0, 4), round(share.upper or 0, 4), share.flags) == (0.0624, 0.1605, ())
    assert row_share("held_back", 1, 9, 10).flags == ("too_few",)
    nothing = row_share("held_back", 0, 0, 10)
    assert (nothing.estimate, nothing.n) == (None, 0)
