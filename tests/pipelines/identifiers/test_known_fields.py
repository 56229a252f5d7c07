"""Text in declared fields: what stops the file, and what is left for the checks of single rows."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.identifiers import IdentifierKind, TableFacts, telling_cells
from registry import record_type

S = IdentifierKind


def kind_of(record: str, field: str, value: str) -> IdentifierKind | None:
    facts = TableFacts(record=record_type(record), site_codes=("HARBOUR",), surgeon_codes=("S01", "S02"))
    cells = telling_cells(pl.DataFrame({field: [value]}), facts)
    return IdentifierKind[cells["kind"][0]] if cells.height else None


@pytest.mark.parametrize(
    ("record", "field", "value", "kind"),
    [
        ("session", "technique", "Krawinkel", S.FREE_TEXT),
        ("session", "technique", "see letter", S.FREE_TEXT),
        ("session", "technique", "the strip was taken from the left side", S.FREE_TEXT),
        ("session", "zones", "hairline;Krawinkel", S.FREE_TEXT),
        ("session", "surgeon_code", "Krawinkel", S.FREE_TEXT),
        ("session", "grafts_total", "as discussed", S.FREE_TEXT),
        ("session", "grafts_total", "1984-05-03", S.FULL_DATE),
        ("session", "grafts_total", "03/05/1984", S.FULL_DATE),
        ("session", "grafts_total", "19840503", S.FULL_DATE),
        ("session", "grafts_total", "5 March 1984", S.FULL_DATE),
        ("session", "grafts_total", "1234567890", S.LONG_NUMBER),
        ("session", "performed_on", "Krawinkel", S.FREE_TEXT),
        ("session", "performed_on", "2024-05-03 Krawinkel", S.FREE_TEXT),
        ("graft_count", "area_label", "Krawinkel", S.FREE_TEXT),
        ("site_period", "quarter", "Krawinkel", S.FREE_TEXT),
        ("visit", "crusts_present", "Krawinkel", S.FREE_TEXT),
        ("patient", "patient_key", "4711", S.NO_PSEUDONYM),
        ("patient", "patient_key", "00000000000012345678", S.LONG_NUMBER),
        ("patient", "patient_key", "1234_5678_9012_3456_7", S.NO_PSEUDONYM),
        ("patient", "patient_key", "Maelle_Krawinkel_1984", S.NO_PSEUDONYM),
        ("patient", "patient_key", "krawinkel-maelle-84", S.NO_PSEUDONYM),
        ("patient", "patient_key", "KR-1984-05-03-harbour", S.NO_PSEUDONYM),
        ("patient", "patient_key", "MRN0000000001234", S.RECORD_NUMBER),
        ("patient", "patient_key", "DE89370400440532013000", S.BANK),
        ("patient", "patient_key", "RSSMRA85T10A562S", S.NATIONAL_NUMBER),
        ("visit", "session_key", "short", S.NO_PSEUDONYM),
        ("visit", "session_key", "Krawinkel, Maelle Example", S.NO_PSEUDONYM),
    ],
)
def test_stops_the_file(record: str, field: str, value: str, kind: IdentifierKind) -> None:
    assert kind_of(record, field, value) is kind


@pytest.mark.parametrize(
    ("record", "field", "value"),
    [
        ("session", "technique", "stirp"),
        ("session", "technique", "Follicular unit excision"),
        ("session", "technique", "FUE"),
        ("session", "technique", "not recorded"),
        ("session", "technique", "severe"),
        ("session", "zones", "Hairline, Vertex"),
        ("session", "surgeon_code", "S99"),
        ("session", "grafts_total", "2500 grafts"),
        ("session", "grafts_total", "approx. 2,500"),
        ("session", "grafts_total", "250000"),
        ("session", "grafts_total", "-5"),
        ("session", "grafts_total", "unknown"),
        ("session", "duration_hours", "7.5 hours"),
        ("session", "duration_hours", "0.3333333333333333"),
        ("session", "duration_hours", "7,5"),
        ("session", "performed_on", "3 March 2024"),
        ("session", "performed_on", "03.05.2024"),
        ("session", "performed_on", "2024-02-30"),
        ("session", "performed_on", "2024-05-03T10:30:00"),
        ("graft_count", "method", "dermoscope"),
        ("graft_count", "area_label", "Area A"),
        ("visit", "numbness_donor", "numb"),
        ("visit", "crusts_present", "Yes"),
        ("patient", "sex", "M"),
        ("patient", "pattern_stage", "3V"),
        ("patient", "patient_key", "d8abc5b7-5ed0-4bc5-9cdd-f02401831214"),
        ("site_period", "quarter", "Q1 2024"),
    ],
)
def test_is_left_to_the_checks_of_rows(record: str, field: str, value: str) -> None:
    assert kind_of(record, field, value) is None
