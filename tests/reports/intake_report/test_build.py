"""What the report says, counted *by hand* from the rows that were sent; the intervals against other software."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from pipelines.intake import retry_held_back
from pipelines.intake_batch import OpenEntries, intake_batch
from pipelines.patients import erase_patient
from registry import open_registry
from reports.intake_report import (
    IntakeData,
    IntakeReportDocument,
    build_intake_report,
    gather,
    lay_out,
    status_words,
    steps,
)
from tests.pipelines.intake.sound_rows import TODAY, numbered
from tests.reports.audit.reading import Element, read, section, table

from .conftest import WRONG, deliver

OPTION = " --registry 'our registry'"


def test_what_came_in(page: Element) -> None:
    text = section(page, "came-in").text
    assert "2 files of site A with 5 rows. 1 row is new to the registry. 1 row was there already." in text
    assert "3 rows were held back, of which 1 only wait for a record that has not come." in text
    rows = table(page, "Rows of each file, by what became of them")
    assert rows == {
        "patient.csv Patients": ["4", "1", "0", "1", "2", "0", "0", "0"],
        "session.csv Sessions": ["1", "0", "0", "0", "1", "1", "0", "0"],
        "All": ["5", "1", "0", "1", "3", "1", "0", "0"],
    }


def test_why_rows_were_held_back(page: Element) -> None:
    rows = table(page, "Why rows were held back or refused")
    assert list(rows) == [
        "The value is not one of the field's codes",
        "Its patient is neither in the registry nor in this delivery",
    ]
    field, counted, mend = rows["The value is not one of the field's codes"]
    assert (field, counted) == ("sex unknown_code", "2 of 3")
    assert mend.startswith("Give one of: ")
    assert mend.endswith("patient.csv rows 3, 4")


def test_the_commands_can_be_typed_as_they_stand(second: IntakeData, page: Element) -> None:
    typed = [element.text for element in section(page, "to-do").all("pre")]
    assert typed == [
        f"graftledger held-back export --site A --out held_back_2{OPTION}",
        f"graftledger intake held_back_2/held_back_A.xlsx{OPTION}",
        f"graftledger held-back retry{OPTION}",
        f"graftledger held-back list --intake 2 --open{OPTION}",
    ]
    assert status_words(second) == (
        "Where the rows held back stand now: 2 to be mended and 1 waiting for a record that has not come."
    )


def test_every_kind_of_step(second: IntakeData) -> None:
    """A site with a mapping, rows of no known site, a site whose rows only wait, and a withdrawal."""
    entries = (OpenEntries("A", True, 1, 0), OpenEntries("B", False, 0, 4), OpenEntries(None, False, 2, 0))
    found = steps(replace(second, registry_option="", batch=replace(second.batch, still_open=entries, withdrawn=1)))
    typed = [command for step in found for command in step.commands]
    assert typed[:4] == [
        "graftledger held-back export --site A --out held_back_2",
        "graftledger intake held_back_2/held_back_A.xlsx --site A",
        "graftledger held-back export --site none --out held_back_2",
        "graftledger intake held_back_2/held_back_none.xlsx",
    ]
    assert any(step.words.startswith("4 rows wait") and not step.commands for step in found)
    assert "graftledger erase-patient PATIENT_KEY" in typed
    assert steps(replace(second, batch=replace(second.batch, still_open=()))) == ()


def test_what_came_back(page: Element) -> None:
    assert table(page, "Rows held back by earlier intakes that this one settled") == {"Intake 1": ["0", "1", "0"]}


def test_warnings_stand_in_the_report_of_their_intake(two_intakes: Path, page: Element) -> None:
    with open_registry(two_intakes) as registry:
        first = read(build_intake_report(registry, 1).html)
    (cells,) = table(first, "Warnings, the most rows first").values()
    assert cells[:2] == ["donor_density_fu_cm2 unlikely_value", "1 of 3"]
    assert "1 row with a warning came in" in section(first, "warned").text
    assert "It is the first batch of the site" in section(first, "trend").text
    assert section(page, "warned").text.endswith("No row came in with a warning.")


def test_the_trend(page: Element, second: IntakeData) -> None:
    """Intervals: *other software*, R 4.2, prop.test(1, 3, correct = FALSE) and prop.test(3, 4, correct = FALSE)."""
    rows = table(page, "Rows held back and rows with a warning, by batch")
    by_intake = {name.split(" ", 2)[1]: cells for name, cells in rows.items()}
    assert by_intake["1"][:3] == ["3", "1", "33.3% 6.1% to 79.2% too few"]
    assert by_intake["2"][:3] == ["4", "3", "75.0% 30.1% to 95.4% too few"]
    assert [cell for cells in by_intake.values() for cell in cells[3:5]] == ["2", "1", "1", "0"]
    text = section(page, "trend").text
    assert "3 of 4 rows judged (too few to read); in its batch before, 33.3%" in text
    assert "fewer than 10 rows, too few to read" in text
    assert "says nothing about the care" in text


def test_where_it_comes_from(page: Element, two_intakes: Path) -> None:
    with open_registry(two_intakes) as registry:
        batch = intake_batch(registry, 2)
    text = section(page, "provenance").text
    assert "by tester" in text
    assert batch.snapshot_before in text
    assert batch.snapshot_after in text
    assert "No patient was erased since this intake." in text
    rows = table(page, "Files, with the hash of their bytes")
    assert {name: cells[0].replace(" ", "") for name, cells in rows.items()} == {
        file.label: file.sha256 for file in batch.files
    }


def test_figures_are_those_of_the_page(document: IntakeReportDocument) -> None:
    content = json.loads(document.figures_json)
    assert (content["meta"]["report"], content["meta"]["intake"]) == ("intake", 2)
    figures = content["figures"]

    def found(measure: str) -> list[tuple[object, ...]]:
        return [
            (*figure["group"].values(), figure["n"]) if figure["estimate"] is None else (figure["events"], figure["n"])
            for figure in figures
            if figure["measure"] == measure
        ]

    assert found("rows_read") == [("patient.csv", "patient", 4), ("session.csv", "session", 1)]
    assert found("rows_failed") == [(2, 3), (1, 1)]
    assert found("rows_held_back_by_status") == [("open", 2), ("waiting", 1)]
    assert found("earlier_rows_settled") == [("1", "loaded", 0), ("1", "corrected", 1), ("1", "replaced", 0)]
    assert found("rows_held_back") == [(1, 3), (3, 4)]
    assert found("rows_warned") == [(1, 2), (0, 1)]


def test_no_value_of_a_record_is_told(document: IntakeReportDocument) -> None:
    for text in (document.html, document.figures_json):
        assert WRONG not in text
        assert all(numbered("patient", number)["patient_key"] not in text for number in range(1, 6))


def test_the_same_registry_gives_the_same_bytes(two_intakes: Path, document: IntakeReportDocument) -> None:
    with open_registry(two_intakes) as registry:
        assert lay_out(gather(registry, 2, folder=Path("our registry"))) == document


def test_an_erasure_since_is_told(empty_registry: Path, tmp_path: Path) -> None:
    """Of patient 2, who was held back, nothing is left but the count of that day."""
    deliver(
        empty_registry, tmp_path / "in", patient=[numbered("patient", 1, sex=WRONG), numbered("patient", 2, sex=WRONG)]
    )
    erase_patient(empty_registry, numbered("patient", 2)["patient_key"], received_by="tester")
    with open_registry(empty_registry) as registry:
        page = read(build_intake_report(registry).html)
    assert "Patients were erased after this intake" in section(page, "came-in").text
    assert "1 row is gone with a patient who was erased since" in section(page, "to-do").text
    assert "1 patient was erased since this intake" in section(page, "provenance").text
    (cells,) = table(page, "Why rows were held back or refused").values()
    assert cells[1:] == ["2 of 2", f"{cells[2].split('. ')[0]}. patient.csv (row numbers no longer kept)"]


def test_an_event_without_files(empty_registry: Path, tmp_path: Path) -> None:
    deliver(empty_registry, tmp_path / "in", patient=[numbered("patient", 1, sex=WRONG)])
    with open_registry(empty_registry, read_only=False) as registry:
        retry_held_back(registry, today=TODAY, received_by="tester")
    with open_registry(empty_registry) as registry:
        page = read(build_intake_report(registry, 2).html)
    assert page.all("h1")[0].text == "Event 2"
    assert "No file came" in section(page, "came-in").text
    assert table(page, "those judged again without being sent again") == {"Patients": ["1", "0", "1", "0"]}
    assert "There is no trend to show" in section(page, "trend").text
