"""Two intakes of a small registry whose reports can be counted by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.intake import run_intake
from registry import open_registry, start_registry
from reports.intake_report import IntakeData, IntakeReportDocument, gather, lay_out
from tests.pipelines.intake.sound_rows import TODAY, Row, numbered, write_csv
from tests.reports.audit.reading import Element, read

WRONG = "zq9"
"""A value at fault, which no report may hold."""


def deliver(registry: Path, folder: Path, **rows: list[Row]) -> None:
    files = [write_csv(folder / f"{name}.csv", lines) for name, lines in rows.items()]
    with open_registry(registry, read_only=False) as opened:
        run_intake(opened, files, today=TODAY, received_by="tester")


@pytest.fixture(scope="session")
def two_intakes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two intakes of site A; nobody writes to the registry.

    1: patient 1 is sound, 2 unlikely, 3 at fault. 2: patient 1 again, 3 mended, 4 and 5 at fault in the same way;
    session 9 has no patient.
    """
    folder = tmp_path_factory.mktemp("intakes")
    registry = folder / "registry"
    start_registry(registry, ["A", "B"], ["S1", "S2"], "Practice <of> tests")
    deliver(
        registry,
        folder / "1",
        patient=[
            numbered("patient", 1),
            numbered("patient", 2, donor_density_fu_cm2="120"),
            numbered("patient", 3, sex=WRONG),
        ],
    )
    deliver(
        registry,
        folder / "2",
        patient=[
            numbered("patient", 1),
            numbered("patient", 3),
            numbered("patient", 4, sex=WRONG),
            numbered("patient", 5, sex=WRONG),
        ],
        session=[numbered("session", 9)],
    )
    return registry


@pytest.fixture(scope="session")
def second(two_intakes: Path) -> IntakeData:
    with open_registry(two_intakes) as registry:
        return gather(registry, folder=Path("our registry"))


@pytest.fixture(scope="session")
def document(second: IntakeData) -> IntakeReportDocument:
    return lay_out(second)


@pytest.fixture(scope="session")
def page(document: IntakeReportDocument) -> Element:
    return read(document.html)
