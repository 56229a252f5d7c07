"""Rows held back: they wait, follow, come back mended, are judged again or set aside. Nothing is lost on the way.

Every expectation is *by hand*.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.held_back import Entry, dismiss, entries, export_workbooks
from pipelines.intake import IntakeReport, retry_held_back
from registry import GraftledgerError, open_registry
from registry.snapshot import computed_sums, stored_sums
from tests.pipelines.intake.conftest import Take
from tests.pipelines.intake.sound_rows import TODAY, Row, numbered, write_csv

Deliver = Callable[..., IntakeReport]


@pytest.fixture
def deliver(take: Take, tmp_path: Path) -> Deliver:
    """Take rows in by record type: each call is one delivery of new files."""
    calls = iter(range(100))

    def deliver(**rows: list[Row]) -> IntakeReport:
        folder = tmp_path / f"delivery_{next(calls)}"
        return take(*(write_csv(folder / f"{record}.csv", lines) for record, lines in rows.items()))

    return deliver


def statuses(folder: Path) -> dict[int, str]:
    with open_registry(folder) as registry:
        return {entry.number: entry.status for entry in entries(registry)}


def entry(folder: Path, number: int) -> Entry:
    with open_registry(folder) as registry:
        return next(found for found in entries(registry) if found.number == number)


def counts(folder: Path) -> dict[str, int]:
    """Rows of each record table, whose sums must be those that the registry keeps."""
    with open_registry(folder) as registry:
        assert stored_sums(registry.connection) == computed_sums(registry.connection)
        return {name: total.row_count for name, total in stored_sums(registry.connection).items() if total.row_count}


def test_rows_wait_for_their_parent_and_follow_in_the_same_intake(deliver: Deliver, empty_registry: Path) -> None:
    first = deliver(session=[numbered("session", n) for n in (1, 2)], visit=[numbered("visit", n) for n in (1, 2)])
    assert [(file.held_back, file.waiting) for file in first.files] == [(2, 2), (2, 2)]
    assert set(statuses(empty_registry).values()) == {"waiting"}

    second = deliver(patient=[numbered("patient", 1)])
    assert [(count.record, count.judged, count.loaded) for count in second.returned] == [
        ("session", 1, 1),
        ("visit", 1, 1),
    ]
    assert second.entries_closed == {"loaded": 2}
    assert statuses(empty_registry) == {1: "loaded", 2: "waiting", 3: "loaded", 4: "waiting"}
    assert counts(empty_registry) == {"patient": 1, "session": 1, "visit": 1}
    assert entry(empty_registry, 1).closed_by_intake_id == 2


def test_a_waiting_row_that_is_at_fault_besides_becomes_an_entry_with_its_reasons(
    deliver: Deliver, empty_registry: Path
) -> None:
    """Alone the session only lacks its patient; with it, it is later than the death."""
    deliver(session=[numbered("session", 1, performed_on="2024-06-01", learned_on="")])
    deliver(patient=[numbered("patient", 1)])
    assert statuses(empty_registry) == {1: "replaced", 2: "open"}
    assert entry(empty_registry, 1).replaced_by == 2
    found = entry(empty_registry, 2)
    assert [reason.rule for reason in found.reasons] == ["session_before_death"]
    assert (found.file, found.row, found.intake_id) == ("session.csv", 1, 2)


def test_a_row_at_fault_that_lacks_its_parent_too_does_not_wait(deliver: Deliver, empty_registry: Path) -> None:
    report = deliver(session=[numbered("session", 1, technique="x9")])
    assert report.total().waiting == 0
    assert statuses(empty_registry) == {1: "open"}
    deliver(patient=[numbered("patient", 1)])
    assert statuses(empty_registry) == {1: "open"}


def test_the_same_file_again_keeps_one_open_entry_a_row(take: Take, empty_registry: Path, tmp_path: Path) -> None:
    """A row without a key is known again by its content."""
    patients = [numbered("patient", 1, sex="x9"), numbered("patient", 2, patient_key="")]
    file = write_csv(tmp_path / "patient.csv", patients)
    take(file)
    again = take(file)
    assert again.entries_closed == {"replaced": 2}
    assert statuses(empty_registry) == {1: "replaced", 2: "replaced", 3: "open", 4: "open"}
    mended = take(write_csv(tmp_path / "mended.csv", [numbered("patient", 1, sex="female")]))
    assert mended.entries_closed == {"corrected": 1}
    assert statuses(empty_registry)[3] == "corrected"


def test_content_is_kept_as_it_came(deliver: Deliver, empty_registry: Path) -> None:
    row = numbered("session", 1, technique="x9", zones="", grafts_total="2,000")
    deliver(session=[row])
    found = entry(empty_registry, 1)
    assert json.loads(found.content) == {name: value for name, value in row.items() if value}
    assert (found.site, found.key, found.source_content) == ("A", row["session_key"], None)


def test_a_workbook_goes_to_the_site_and_comes_back(
    deliver: Deliver, take: Take, empty_registry: Path, tmp_path: Path
) -> None:
    """A patient with a wrong code, a visit without its key whose session is known, one that waits, one of site B."""
    deliver(
        patient=[
            numbered("patient", 1),
            numbered("patient", 2, sex="x9"),
            numbered("patient", 4, site_code="B", sex="x9"),
        ],
        session=[numbered("session", n) for n in (1, 2)],
        visit=[numbered("visit", 1, visit_key="")],
    )
    assert statuses(empty_registry) == {1: "open", 2: "open", 3: "waiting", 4: "open"}
    with open_registry(empty_registry) as registry:
        written = export_workbooks(registry, tmp_path / "out")
        with pytest.raises(GraftledgerError, match="exists already"):
            export_workbooks(registry, tmp_path / "out")
    assert [(workbook.site, workbook.rows, workbook.path.name) for workbook in written] == [
        ("A", 3, "held_back_A.xlsx"),
        ("B", 1, "held_back_B.xlsx"),
    ]
    sheets = pl.read_excel(written[0].path, sheet_id=0, infer_schema_length=0)
    assert {name: frame["held_back_entry"].to_list() for name, frame in sheets.items()} == {
        "patient": ["1"],
        "session": ["3"],
        "visit": ["4"],
    }
    assert sheets["patient"]["held_back_reason"][0].startswith("sex: the value is not one of the field's codes")
    assert sheets["patient"]["patient_key"][0] == numbered("patient", 2)["patient_key"]

    mended = tmp_path / "back.xlsx"
    import xlsxwriter  # type: ignore[import-untyped]

    with xlsxwriter.Workbook(str(mended)) as book:
        for name, frame in sheets.items():
            page = book.add_worksheet(name)
            page.write_row(0, 0, frame.columns)
            for at, row in enumerate(frame.iter_rows(named=True), start=1):
                changes = {"patient": {"sex": "female"}, "visit": {"visit_key": numbered("visit", 1)["visit_key"]}}
                page.write_row(at, 0, [value or "" for value in (row | changes.get(name, {})).values()])
    report = take(mended)
    assert (report.total().loaded, report.total().held_back) == (3, 0)
    assert report.entries_closed == {"corrected": 2, "loaded": 1}
    assert statuses(empty_registry) == {1: "corrected", 2: "open", 3: "loaded", 4: "corrected"}
    assert counts(empty_registry) == {"patient": 2, "session": 2, "visit": 1}


def test_a_formula_in_a_workbook_is_text(deliver: Deliver, empty_registry: Path, tmp_path: Path) -> None:
    import zipfile

    deliver(session=[numbered("session", 1, grafts_total="=1+1", duration_hours="+1", recipient_area_cm2="@1")])
    with open_registry(empty_registry) as registry:
        (workbook,) = export_workbooks(registry, tmp_path / "out")
    sheet = zipfile.ZipFile(workbook.path).read("xl/worksheets/sheet1.xml").decode()
    assert "<f>" not in sheet
    assert "<row" in sheet
    found = pl.read_excel(workbook.path, infer_schema_length=0)
    assert found["grafts_total"].to_list() == ["=1+1"]


def test_a_retry_judges_by_the_settings_of_now(deliver: Deliver, empty_registry: Path) -> None:
    deliver(
        patient=[numbered("patient", 1, site_code="C"), numbered("patient", 2, sex="x9")], visit=[numbered("visit", 1)]
    )
    settings = empty_registry / "settings.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace('"A", "B"', '"A", "B", "C"'), encoding="utf-8")
    with open_registry(empty_registry, read_only=False) as registry:
        report = retry_held_back(registry, today=TODAY, received_by="test")
        assert report.kind == "retry"
        assert [(count.record, count.judged, count.loaded, count.held_back) for count in report.returned] == [
            ("patient", 2, 1, 1),
            ("visit", 1, 0, 1),
        ]
        kinds = registry.connection.execute("select kind from intake order by intake_id").fetchall()
        assert kinds == [("files",), ("retry",)]
    assert statuses(empty_registry) == {1: "loaded", 2: "open", 3: "waiting"}
    assert counts(empty_registry) == {"patient": 1}


def test_rows_set_aside_stay_aside(deliver: Deliver, empty_registry: Path) -> None:
    deliver(session=[numbered("session", n) for n in (1, 2)])
    with open_registry(empty_registry, read_only=False) as registry:
        for numbers, reason, words in (
            ([1, 9], "duplicate", "there is no entry 9"),
            ([1], "duplicat", "Did you mean duplicate"),
            ([], "other", "No entry was named"),
        ):
            with pytest.raises(GraftledgerError, match=words):
                dismiss(registry, numbers, reason=reason, received_by="test")
        before = registry.snapshot
        assert dismiss(registry, [1], reason="cannot_be_mended", received_by="test") == 2
        with pytest.raises(GraftledgerError, match="entry 1 is dismissed already"):
            dismiss(registry, [1], reason="other", received_by="test")
        assert registry.snapshot == before
    deliver(patient=[numbered("patient", n) for n in (1, 2)])
    assert statuses(empty_registry) == {1: "dismissed", 2: "loaded"}
    with open_registry(empty_registry, as_of_intake=1) as registry:
        assert {found.status for found in entries(registry)} == {"waiting"}


def test_entries_are_found_by_intake_record_and_site(deliver: Deliver, empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry, pytest.raises(GraftledgerError, match="no intake yet"):
        entries(registry)
    deliver(patient=[numbered("patient", 1, sex="x9"), numbered("patient", 2, site_code="Z")])
    deliver(session=[numbered("session", 1, site_code="B"), numbered("session", 3, technique="x9")])
    deliver(patient=[numbered("patient", 1)])
    with open_registry(empty_registry) as registry:

        def found(**filters: Any) -> list[int]:
            return [entry.number for entry in entries(registry, **filters)]

        assert found() == [1, 2, 3, 4]
        assert found(intake_id=1) == [1, 2]
        assert found(record="session") == [3, 4]
        assert found(site="B") == [3]
        assert found(site="none") == [2]
        assert found(unsettled=True) == [2, 4]
        for filters, words in (
            ({"intake_id": 9}, "Known: 1 to 3"),
            ({"record": "sesion"}, "Did you mean session"),
            ({"site": "Q"}, "Known: A, B, none"),
        ):
            with pytest.raises(GraftledgerError, match=words):
                entries(registry, **filters)


def test_what_each_check_found_is_kept(deliver: Deliver, empty_registry: Path) -> None:
    """Three patients: one with an unknown code, one with an unlikely density, one without any density."""
    deliver(
        patient=[
            numbered("patient", 1, sex="x9"),
            numbered("patient", 2, donor_density_fu_cm2="120"),
            numbered("patient", 3, donor_density_fu_cm2=""),
        ]
    )
    with open_registry(empty_registry) as registry:
        results = {
            (rule, field): (severity, judged, failed)
            for rule, field, severity, judged, failed in registry.connection.execute(
                "select rule, field, severity, rows_judged, rows_failed from validation_result where intake_id = 1"
            ).fetchall()
        }
    assert results["unknown_code", "sex"] == ("held back", 3, 1)
    assert results["unlikely_value", "donor_density_fu_cm2"] == ("warning", 2, 1)
    assert results["out_of_range", "donor_density_fu_cm2"] == ("held back", 2, 0)
    assert results["missing_required", "patient_key"] == ("held back", 3, 0)
    assert results["last_contact_after_enrolment", "last_contact_on"] == ("held back", 3, 0)


def test_where_a_check_failed_is_kept_with_reason_and_remedy(deliver: Deliver, empty_registry: Path) -> None:
    """By hand: six rows have an unknown code, of which the first five are kept; two have an unlikely density."""
    codes = [numbered("patient", number, sex="x9") for number in range(1, 7)]
    unlikely = [numbered("patient", number, donor_density_fu_cm2="120") for number in (7, 8)]
    deliver(patient=[*codes, *unlikely])
    with open_registry(empty_registry) as registry:
        found = registry.connection.execute(
            "select rule, reason, rows_failed, first_rows from validation_result where rows_failed > 0 order by rule"
        ).fetchall()
    assert found == [
        ("unknown_code", "the value is not one of the field's codes", 6, [1, 2, 3, 4, 5]),
        ("unlikely_value", "the value is possible, yet unlikely", 2, [7, 8]),
    ]


def test_a_check_of_the_parent_judges_every_row_that_names_one(deliver: Deliver, empty_registry: Path) -> None:
    """By hand: of four sessions two are sound, one has no patient, and that of one was held back beside it."""
    deliver(
        patient=[numbered("patient", 1), numbered("patient", 2), numbered("patient", 3, sex="x9")],
        session=[numbered("session", number) for number in (1, 2, 3, 4)],
    )
    with open_registry(empty_registry) as registry:
        found = registry.connection.execute(
            "select reason, rows_judged, rows_failed, first_rows from validation_result "
            "where rule = 'unknown_patient' order by reason"
        ).fetchall()
    assert found == [
        ("its patient is neither in the registry nor in this delivery", 4, 1, [4]),
        ("its patient was held back in this delivery", 4, 1, [3]),
    ]
