"""Sheets to records. Expected values: by hand."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.mapping import REASONS, MappedTable, apply_mapping
from pipelines.mapping.keys import derived_keys
from registry import RECORD_TYPES, GraftledgerError

from .conftest import Apply, MakeMapping, MakeSheet

VISIT = """
site = "A"
date_format = "%d.%m.%Y"
[[source]]
drop = ["Bemerkung"]
[source.visit]
visit_key = "K"
session_key = "S"
visited_on = "Datum"
contact_mode = { value = "phone" }
"""
COMPLICATION = """
site = "A"
date_format = "%d.%m.%Y"
[[source]]
[source.complication]
complication_key = "K"
session_key = "S"
severity = { value = "mild" }
"""


def values(table: MappedTable, *names: str) -> list[tuple[str | None, ...]]:
    return table.frame.select(names).rows()


def rules(table: MappedTable) -> list[tuple[int, str, str, str]]:
    return table.faults.select("row_number", "field", "column", "rule").rows()


def test_columns_become_fields_and_every_field_is_there(mapped: Apply) -> None:
    header = ["K", "S", "Datum", "Bemerkung"]
    (table,) = mapped(VISIT, header, [["k1", "s1", "05.03.2024", "x"], [None] * 4, ["k2", "s2", "2024-03-06", None]])
    visit = RECORD_TYPES[2]
    assert table.record is visit
    assert table.frame.columns == ["row_number", *visit.field_names]
    assert set(table.frame.dtypes[1:]) == {pl.String}
    assert values(table, "row_number", "visit_key", "visited_on", "contact_mode", "satisfaction") == [
        (1, "k1", "2024-03-05", "phone", None),
        (3, "k2", "2024-03-06", "phone", None),
    ]
    assert table.faults.is_empty()
    assert (table.file_name, table.sheet, table.mapping_digest) == ("export.csv", None, "digest")


def test_what_cannot_be_converted_is_a_fault_of_its_row(mapped: Apply) -> None:
    text = VISIT + 'scar_width_mm = "Narbe"\nswelling_now = "Schwellung"\n'
    rows = [
        ["k1", "s1", "05.03.2024", "3", "mild"],
        ["k2", "s2", "03/05/2024", "3,5", "blau"],
        ["k3", "s3", "31.02.2024", None, None],
    ]
    (table,) = mapped(text, ["K", "S", "Datum", "Narbe", "Schwellung"], rows)
    assert sorted(rules(table)) == [
        (2, "scar_width_mm", "Narbe", "wrong_format"),
        (2, "swelling_now", "Schwellung", "unknown_code"),
        (2, "visited_on", "Datum", "wrong_format"),
        (3, "visited_on", "Datum", "no_such_date"),
    ]
    assert table.faults["position"].to_list() == [2, 1, 1, 1] or set(table.faults["position"]) == {1, 2}
    assert set(table.faults["rule"]) <= set(REASONS)
    assert values(table, "visited_on") == [("2024-03-05",), (None,), (None,)]


def test_answers_are_compared_without_case_accents_and_spaces(mapped: Apply) -> None:
    text = VISIT + 'swelling_now = { column = "W", codes = { "Kein  Ödem" = "none", "?" = "" } }\n'
    rows = [["k", "s", None, answer] for answer in ("KEIN ODEM", "kein ödem", "?", "Severe", " none ", None)]
    (table,) = mapped(text, ["K", "S", "Datum", "W"], rows)
    assert [row[0] for row in values(table, "swelling_now")] == ["none", "none", None, "severe", "none", None]
    assert table.faults.is_empty()


def test_an_empty_cell_stays_empty_unless_the_mapping_says_otherwise(mapped: Apply) -> None:
    text = VISIT + 'crusts_present = { column = "C", codes = { x = "yes" }, empty_means = "no" }\nshedding_seen = "F"\n'
    (table,) = mapped(text, ["K", "S", "Datum", "C", "F"], [["k", "s", None, "X", "yes"], ["l", "s", None, None, None]])
    assert values(table, "crusts_present", "shedding_seen") == [("yes", "yes"), ("no", None)]


def test_texts_that_mean_empty(mapped: Apply) -> None:
    text = VISIT.replace("[[source]]", '[[source]]\nempty = ["-", "k. A."]') + 'satisfaction = "Z"\n'
    (table,) = mapped(text, ["K", "S", "Datum", "Z"], [["k", "s", "-", "K.A."], ["k", "s", "k. a.", "7"]])
    assert values(table, "visited_on", "satisfaction") == [(None, None), (None, "7")]
    assert rules(table) == [(1, "satisfaction", "Z", "wrong_format")]


def test_sets_from_text(mapped: Apply) -> None:
    text = VISIT + (
        'medical_therapy_now = { column = "T", separator = "+", codes = { Fin = "finasteride_oral", '
        'Mx = "minoxidil_topical", Kombi = "finasteride_oral;minoxidil_oral", nichts = "none" } }\n'
    )
    rows = [["k", "s", None, value] for value in ("mx + Fin", "FIN+fin", "Kombi", "nichts", "Fin+x", None, "other")]
    (table,) = mapped(text, ["K", "S", "Datum", "T"], rows)
    assert [row[0] for row in values(table, "medical_therapy_now")] == [
        "finasteride_oral;minoxidil_topical",
        "finasteride_oral",
        "finasteride_oral;minoxidil_oral",
        "none",
        None,
        None,
        "other",
    ]
    assert rules(table) == [(5, "medical_therapy_now", "T", "unknown_code")]


def test_sets_from_several_yes_columns(mapped: Apply) -> None:
    text = VISIT + (
        'medical_therapy_now = { yes_columns = { Fin = "finasteride_oral", Dut = "dutasteride" }, '
        'codes = { ja = "yes", nein = "no" }, all_no = "none" }\n'
    )
    cells = [("ja", "nein"), ("ja", "ja"), ("nein", "nein"), ("nein", None), (None, None), ("ja", "?")]
    (table,) = mapped(text, ["K", "S", "Datum", "Fin", "Dut"], [["k", "s", None, *pair] for pair in cells])
    assert [row[0] for row in values(table, "medical_therapy_now")] == [
        "finasteride_oral",
        "dutasteride;finasteride_oral",
        "none",
        None,  # one answer is missing: it is not known that there is none
        None,
        None,
    ]
    assert rules(table) == [(6, "medical_therapy_now", "Fin", "unknown_code")]


def test_three_complication_columns_in_one_row(mapped: Apply) -> None:
    text = """
        site = "A"
        [[source]]
        [source.complication]
        repeat = ["1", "2", "3"]
        session_key = "S"
        complication_key = { key_of = ["session_key", "label"] }
        kind = { column = "Komplikation {label}", codes = { keine = "no_record", Blutung = "bleeding" } }
        severity = "Schwere {label}"
    """
    header = ["S", *(f"{name} {label}" for label in "123" for name in ("Komplikation", "Schwere"))]
    rows = [
        ["s" * 16, "Blutung", "mild", None, None, "cyst", "severe"],
        ["t" * 16, "keine", None, None, None, None, None],
        ["u" * 16, "keine", "mild", None, "mild", None, None],
    ]
    (table,) = mapped(text, header, rows)
    assert sorted(values(table, "row_number", "session_key", "kind", "severity"), key=str) == [
        (1, "s" * 16, "bleeding", "mild"),
        (1, "s" * 16, "cyst", "severe"),
        (3, "u" * 16, None, "mild"),
        (3, "u" * 16, None, "mild"),
    ]
    assert rules(table) == [(3, "kind", "Komplikation 1", "nothing_and_something")]
    keys = table.frame["complication_key"]
    assert keys.n_unique() == 4
    assert keys.str.contains(r"^[0-9a-f]{32}$").all()


def test_visits_side_by_side_with_columns_of_irregular_names(mapped: Apply) -> None:
    text = """
        site = "A"
        date_format = "%d.%m.%Y"
        [[source]]
        [source.visit]
        repeat = ["Tag 7", "Monat 12"]
        session_key = "S"
        visit_key = { key_of = ["session_key", "label"] }
        visited_on = { column = "OP-Datum", plus = { "Tag 7" = "7d", "Monat 12" = "12m" } }
        contact_mode = { value = "in_person" }
        swelling_now = { column = { "Tag 7" = "Schwellung T7" } }
        numbness_donor = "{label} Taubheit"
    """
    header = ["S", "OP-Datum", "Schwellung T7", "Tag 7 Taubheit", "Monat 12 Taubheit"]
    rows = [["s1", "01.03.2024", "mild", "reduced", "none"], ["s2", "31.12.2023", None, None, "reduced"]]
    (table,) = mapped(text, header, rows)
    assert sorted(values(table, "session_key", "visited_on", "swelling_now", "numbness_donor")) == [
        ("s1", "2024-03-08", "mild", "reduced"),
        ("s1", "2025-03-01", None, "none"),  # 12 months are 365 days
        ("s2", "2024-12-30", None, "reduced"),
    ]


def test_areas_side_by_side_take_their_letter_from_the_label(mapped: Apply) -> None:
    text = """
        site = "A"
        decimal = ","
        [[source]]
        [source.graft_count]
        repeat = ["links", "rechts"]
        session_key = "S"
        count_key = { key_of = ["session_key", "area_label", "counted_on"] }
        area_label = { label = true, codes = { links = "A", rechts = "B" } }
        area_cm2 = { column = "Fläche", unit = "mm2" }
        placed_grafts = "gesetzt {label}"
        growing_grafts = "gewachsen {label}"
        counted_on = "Datum"
        method = { value = "direct" }
    """
    header = ["S", "Datum", "Fläche", "gesetzt links", "gewachsen links", "gesetzt rechts", "gewachsen rechts"]
    (table,) = mapped(text, header, [["s1", "2024-03-05", "100,5", "40", "36", "41", "39"]])
    assert sorted(values(table, "area_label", "area_cm2", "placed_grafts", "growing_grafts")) == [
        ("A", "1.005", "40", "36"),
        ("B", "1.005", "41", "39"),
    ]
    assert table.frame["count_key"].n_unique() == 2


def test_one_sheet_gives_sessions_and_what_belongs_to_them(mapped: Apply) -> None:
    text = """
        site = "A"
        [[source]]
        [source.session]
        patient_key = "P"
        session_key = { key_of = ["patient_key", "performed_on"] }
        performed_on = "D"
        surgeon_code = { value = "S1" }
        session_number = { count_by = "performed_on" }
        [source.visit]
        repeat = ["1", "2"]
        session_key = { of_row = "session" }
        visit_key = { key_of = ["session_key", "label"] }
        visited_on = "Kontrolle {label}"
        contact_mode = { value = "phone" }
    """
    header = ["P", "D", "Kontrolle 1", "Kontrolle 2"]
    rows = [["p1", "2020-05-01", "2020-06-01", "2021-05-01"], ["p1", "2019-05-01", None, "2019-09-01"]]
    sessions, visits = mapped(text, header, rows)
    keys = dict(zip(sessions.frame["performed_on"], sessions.frame["session_key"], strict=True))
    assert values(sessions, "performed_on", "session_number", "site_code") == [
        ("2020-05-01", "2", "A"),
        ("2019-05-01", "1", "A"),
    ]
    assert sorted(values(visits, "visited_on", "session_key")) == [
        ("2019-09-01", keys["2019-05-01"]),
        ("2020-06-01", keys["2020-05-01"]),
        ("2021-05-01", keys["2020-05-01"]),
    ]


def test_patients_are_gathered_from_their_sessions(mapped: Apply) -> None:
    text = """
        site = "A"
        date_format = "%d.%m.%Y"
        [[source]]
        [source.patient]
        gather_by = "OP am"
        patient_key = "P"
        enrolled_on = "OP am"
        last_contact_on = { column = "zuletzt", pick = "last" }
        age_at_first_surgery_years = "Alter"
        smoking = "Rauchen"
        status_at_last_contact = { value = "in_follow_up" }
    """
    header = ["P", "OP am", "zuletzt", "Alter", "Rauchen"]
    rows = [
        ["p1", "01.05.2021", "01.09.2022", "36", "former"],
        ["p1", "01.05.2019", "01.06.2020", "34", None],
        ["p2", "01.01.2020", "x", "50", "never"],
        [None, "01.01.2020", None, "40", None],
    ]
    (table,) = mapped(text, header, rows)
    fields = ("row_number", "patient_key", "enrolled_on", "last_contact_on", "age_at_first_surgery_years", "smoking")
    assert sorted(values(table, *fields), key=str) == [
        (2, "p1", "2019-05-01", "2022-09-01", "34", "former"),
        (3, "p2", "2020-01-01", None, "50", "never"),
        (4, None, "2020-01-01", None, "40", None),
    ]
    assert rules(table) == [(3, "last_contact_on", "zuletzt", "wrong_format")]


def test_sessions_are_numbered_by_date_over_all_sheets(make_sheet_of: MakeSheet, mapping_of: MakeMapping) -> None:
    mapping = mapping_of("""
        site = "A"
        [[source]]
        file = "patients*"
        [source.patient]
        patient_key = "P"
        enrolled_on = "E"
        sessions_elsewhere = "Elsewhere"
        status_at_last_contact = { value = "in_follow_up" }
        [[source]]
        file = "op*"
        [source.session]
        patient_key = "P"
        session_key = "K"
        performed_on = "D"
        surgeon_code = { value = "S1" }
        session_number = { count_by = "performed_on", plus = "patient.sessions_elsewhere" }
    """)
    patients = make_sheet_of(["P", "E", "Elsewhere"], [["p1", "2019-01-01", "2"], ["p2", "2019-01-01", None]],
                             file_name="patients.csv")  # fmt: skip
    first = make_sheet_of(["P", "K", "D"], [["p1", "a", "2020-01-01"], ["p2", "c", "2020-01-01"]], file_name="op1.csv")
    second = make_sheet_of(
        ["P", "K", "D"],
        [["p1", "b", "2019-01-01"], ["p2", "d", "2020-01-01"], ["p1", "a", "2020-01-01"], ["p3", "e", None]],
        file_name="op2.csv",
    )
    _, one, two = apply_mapping([second, first, patients], mapping)
    assert values(one, "session_key", "session_number") == [("b", "3"), ("d", None), ("a", "4"), ("e", None)]
    assert values(two, "session_key", "session_number") == [("a", "4"), ("c", None)]
    assert rules(one) == [(2, "session_number", "performed_on", "unclear_order")]
    assert rules(two) == [(2, "session_number", "performed_on", "unclear_order")]


def test_onset_is_counted_from_a_date_of_the_row_or_of_the_session(
    make_sheet_of: MakeSheet, mapping_of: MakeMapping, mapped: Apply
) -> None:
    own = COMPLICATION + 'kind = { value = "cyst" }\nonset_day = { column = "B", days_since = "OP" }\n'
    rows = [["k", "s", "08.03.2024", "01.03.2024"], ["l", "s", "08.03.2024", None], ["m", "s", None, None]]
    (table,) = mapped(own, ["K", "S", "B", "OP"], rows)
    assert [row[0] for row in values(table, "onset_day")] == ["7", None, None]
    assert rules(table) == [(2, "onset_day", "B", "unknown_start")]

    mapping = mapping_of("""
        site = "A"
        date_format = "%d.%m.%Y"
        [[source]]
        sheet = "OP"
        [source.session]
        session_key = "S"
        patient_key = "P"
        performed_on = "D"
        surgeon_code = { value = "S1" }
        session_number = { value = 1 }
        [[source]]
        sheet = "Komplikationen"
        [source.complication]
        session_key = "S"
        complication_key = { key_of = ["session_key", "kind"] }
        kind = "Art"
        severity = { value = "mild" }
        onset_day = { column = "Beginn", days_since = "session.performed_on" }
    """)
    sessions = make_sheet_of(["S", "P", "D"], [["s1", "p1", "01.03.2024"]], sheet="OP")
    complications = make_sheet_of(
        ["S", "Art", "Beginn"],
        [["s1", "cyst", "11.03.2024"], ["s0", "cyst", "11.03.2024"], ["s9", "cyst", "11.03.2024"]],
        sheet="Komplikationen",
    )
    known = pl.DataFrame({"session_key": ["s0", "s1"], "performed_on": ["2024-03-01", "1999-01-01"]})
    _, table = apply_mapping([complications, sessions], mapping, known)
    assert [row[0] for row in values(table, "onset_day")] == ["10", "10", None]
    assert rules(table) == [(3, "onset_day", "Beginn", "unknown_start")]


def test_a_date_known_to_the_month_fills_its_precision(mapped: Apply) -> None:
    text = """
        site = "A"
        [[source]]
        [source.patient]
        patient_key = "P"
        enrolled_on = "E"
        status_at_last_contact = { value = "in_follow_up" }
        first_surgery_on = { column = "F", date_format = ["%d.%m.%Y", "%m/%Y", "%Y"] }
    """
    rows = [["p", "2024-01-01", value] for value in ("05.03.2014", "03/2014", "2014", None, "x")]
    (table,) = mapped(text, ["P", "E", "F"], rows)
    assert values(table, "first_surgery_on", "first_surgery_precision") == [
        ("2014-03-05", "day"),
        ("2014-03-15", "month"),
        ("2014-07-01", "year"),
        (None, None),
        (None, None),
    ]


def test_rows_of_several_kinds_in_one_sheet(mapped: Apply) -> None:
    text = """
        site = "A"
        [[source]]
        ignore_rows = { column = "Typ", is = ["Beratung"] }
        [source.session]
        where = { column = "Typ", is = ["OP", "Nach-OP"] }
        patient_key = "P"
        session_key = "S"
        performed_on = "D"
        surgeon_code = { value = "S1" }
        session_number = { count_by = "performed_on" }
        [source.visit]
        where = { column = "Typ", is = ["Kontrolle"] }
        session_key = "S"
        visit_key = { key_of = ["session_key", "visited_on"] }
        visited_on = "D"
        contact_mode = { value = "phone" }
    """
    header = ["Typ", "P", "S", "D"]
    rows = [["op", "p", "s", "2024-01-01"], ["Kontrolle", "p", "s", "2024-02-01"], ["BERATUNG", "p", None, None]]
    sessions, visits = mapped(text, header, rows)
    assert values(sessions, "row_number", "performed_on") == [(1, "2024-01-01")]
    assert values(visits, "row_number", "visited_on") == [(2, "2024-02-01")]
    with pytest.raises(GraftledgerError) as refusal:
        mapped(text, header, [*rows, ["Foto", "p", "s", None], [None, "p", "s", None]])
    assert [(fault.row, fault.field) for fault in refusal.value.faults] == [(4, "Typ"), (5, "Typ")]
    assert "Foto" not in str(refusal.value)


def test_a_row_may_give_a_record_only_where_a_column_holds_anything(mapped: Apply) -> None:
    text = COMPLICATION.replace("[source.complication]", '[source.complication]\nonly_if = ["Art"]') + 'kind = "Art"\n'
    (table,) = mapped(text, ["K", "S", "Art"], [["k", "s", None], ["l", "s", "cyst"]])
    assert values(table, "row_number", "kind") == [(2, "cyst")]


def test_a_column_that_is_neither_mapped_nor_dropped_stops_the_file(mapped: Apply) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        mapped(VISIT, ["K", "S", "Datum", "Neu", "A" * 70], [["k", "s", None, "SECRET", "SECRET"]])
    assert [(fault.field, fault.file) for fault in refusal.value.faults] == [
        ("Neu", "export.csv"),
        ("column 5", "export.csv"),
    ]
    assert "SECRET" not in str(refusal.value)


def test_a_mapped_column_that_is_missing_is_named_with_the_nearest(mapped: Apply) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        mapped(VISIT, ["K", "S", "Datun"], [["k", "s", None]])
    assert [str(fault) for fault in refusal.value.faults] == [
        "export.csv, Datum: the column that source 1, visit, visited_on reads is missing. Did you mean Datun?",
        "export.csv, Datun: the column is neither mapped nor dropped. Map it to a field, or add it to drop.",
    ]


def test_column_names_fit_whatever_their_case_accents_and_spaces(mapped: Apply) -> None:
    (table,) = mapped(VISIT, ["k", "S", "DATUM", "bemerkung"], [["k1", "s1", "2024-01-01", "x"]])
    assert values(table, "visit_key") == [("k1",)]
    with pytest.raises(GraftledgerError, match="several columns fit"):
        mapped(VISIT, ["k", "k ", "S", "DATUM", "dátum"], [["k1", "k2", "s1", "2024-01-01", "x"]])


def test_a_first_line_that_is_no_header_is_not_repeated(mapped: Apply) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        mapped(VISIT, ["Anna", "Berta", "SECRET", "K"], [["a", "b", "c", "d"]])
    assert str(refusal.value) == (
        "export.csv: the mapping names 1 of its 4 columns. "
        "Is this the right mapping, and does the first filled row hold the column names?"
    )


def test_each_sheet_fits_one_source_by_file_and_sheet_name(make_sheet_of: MakeSheet, mapping_of: MakeMapping) -> None:
    mapping = mapping_of(
        VISIT.replace("[[source]]", '[[source]]\nfile = "Export*.xlsx"\nsheet = "kontr*"')
        + '[[source]]\nsheet = "Legende"\nignore = true\n[[source]]\nfile = "*2*"\nsheet = "K*"\nignore = true\n'
    )

    def sheet(file_name: str, name: str | None):  # type: ignore[no-untyped-def]
        return make_sheet_of(["K", "S", "Datum"], [["k", "s", None]], file_name=file_name, sheet=name)

    assert len(apply_mapping([sheet("in/export 1.XLSX", "Kontrollen"), sheet("x.xlsx", "Legende")], mapping)) == 1
    with pytest.raises(GraftledgerError, match=r"x\.xlsx, sheet Andere: no source of A\.toml fits"):
        apply_mapping([sheet("x.xlsx", "Andere")], mapping)
    with pytest.raises(GraftledgerError, match=r"source 1 and source 3 of A\.toml both fit"):
        apply_mapping([sheet("export 2.xlsx", "Kontrollen")], mapping)


def test_derived_keys_are_the_same_for_the_same_record() -> None:
    """The first key by other software: `printf 'visit\\x1fs1\\x1fTag 7' | sha256sum` (GNU coreutils 9.1)."""
    keys = derived_keys("visit", [pl.Series(["s1", "s1", "s2", None]), pl.Series(["Tag 7", "Tag 8", "Tag 7", "x"])])
    assert keys[0] == "767f82a5539a75515dd8c14dc06d5d89"
    assert keys.n_unique() == 4
    assert keys[3] is None
    assert derived_keys("complication", [pl.Series(["s1"]), pl.Series(["Tag 7"])])[0] != keys[0]
    assert derived_keys("visit", [pl.Series([], dtype=pl.String), pl.Series([], dtype=pl.String)]).len() == 0


def test_an_empty_sheet_gives_an_empty_table(mapped: Apply) -> None:
    for text in (VISIT, VISIT.replace('visit_key = "K"', 'visit_key = { key_of = ["session_key", "visited_on"] }')):
        (table,) = mapped(text, ["K", "S", "Datum"] if '"K"' in text else ["S", "Datum"], [])
        assert table.frame.height == 0
        assert table.faults.is_empty()
