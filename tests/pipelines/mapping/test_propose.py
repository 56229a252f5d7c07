"""Proposed mappings. Expected values: by hand."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from pipelines.mapping import propose_mapping
from pipelines.mapping.load import parse_mapping
from pipelines.mapping.propose.columns import make_column
from pipelines.mapping.propose.labels import label_groups, time_of_label
from pipelines.mapping.propose.matching import likely_unit, name_fit
from pipelines.mapping.propose.vocabulary import code_answers, field_names, telling_words
from registry import RECORD_TYPES, GraftledgerError, Settings, record_type
from registry.definition import Kind

from .conftest import MakeSheet

SETTINGS = Settings("Practice", ("A", "B"), ("S1", "S2"))
KEYS = [f"{word}qxzvbnmwrtplkh{word}" for word in "abcdefghj"]


def proposed(make_sheet_of: MakeSheet, header: list[str], rows: list[list[str | None]], **about: Any) -> str:
    return propose_mapping([make_sheet_of(header, rows, **about)], SETTINGS, "A")


def entry(text: str, record: str, name: str, source: int = 0) -> Any:
    return tomllib.loads(text)["source"][source][record].get(name)


def decided(text: str) -> str:
    """The proposal with its undecided columns dropped."""
    return text.replace("undecided", "# undecided").replace("drop = []\n", "")


@pytest.mark.parametrize(
    ("header", "answers"),
    [
        (
            ["Visit ID", "Surgery ID", "Visit date", "Type of contact", "Swelling", "Crusts"],
            ["telephone", "slight", "y"],
        ),
        (
            ["Kontroll-Code", "OP-Code", "Kontrolldatum", "Kontaktart", "Schwellung", "Krusten"],
            ["Telefon", "leicht", "ja"],
        ),
        (
            ["Code visite", "Code intervention", "Date de visite", "Mode de contact", "Œdème", "Croûtes"],
            ["téléphone", "léger", "oui"],
        ),
        (
            ["Código visita", "Código cirugía", "Fecha de visita", "Modo de contacto", "Hinchazón", "Costras"],
            ["teléfono", "leve", "sí"],
        ),
    ],
)
def test_columns_are_told_in_four_languages(make_sheet_of: MakeSheet, header: list[str], answers: list[str]) -> None:
    rows = [[key, key, f"{20 + at}.03.2024", *answers] for at, key in enumerate(KEYS)]
    text = proposed(make_sheet_of, header, rows)
    assert "Nothing is left to decide" in text
    mapping = parse_mapping(tomllib.loads(text), "A.toml", "", SETTINGS)
    (rule,) = mapping.sources[0].records
    assert rule.record.name == "visit"
    assert list(rule.fields) == [
        "visit_key",
        "session_key",
        "visited_on",
        "contact_mode",
        "swelling_since_last",
        "crusts_present",
    ]
    assert next(iter(entry(text, "visit", "contact_mode")["codes"].values())) == "phone"
    assert next(iter(entry(text, "visit", "swelling_since_last")["codes"].values())) == "mild"
    assert next(iter(entry(text, "visit", "crusts_present")["codes"].values())) == "yes"
    assert tomllib.loads(text)["source"][0]["date_format"] == "%d.%m.%Y"


def test_an_ambiguous_date_format_is_left_to_the_user(make_sheet_of: MakeSheet) -> None:
    header = ["Session key", "Patient key", "Surgery date", "Technique", "Surgeon", "Learned on"]
    rows: list[list[str | None]] = [[key, key, "03/05/2024", "strip", "S1", "13/05/2024"] for key in KEYS]
    text = proposed(make_sheet_of, header, rows)
    assert entry(text, "session", "performed_on")["date_format"] == "TODO: %d/%m/%Y or %m/%d/%Y"
    assert entry(text, "session", "learned_on") == "Learned on"
    with pytest.raises(GraftledgerError, match="performed_on, date_format: is not decided yet"):
        parse_mapping(tomllib.loads(text), "A.toml", "", SETTINGS)


def test_what_could_not_be_placed_stands_at_the_top_and_is_refused(make_sheet_of: MakeSheet) -> None:
    header = ["Session key", "Patient key", "Surgery date", "Surgeon", "Ward colour", "Empty"]
    rows: list[list[str | None]] = [[key, key, "2024-05-30", "S1", "blue", None] for key in KEYS]
    text = proposed(make_sheet_of, header, rows)
    top = text.split("site =")[0]
    assert "#   export.csv: column Ward colour" in top
    source = tomllib.loads(text)["source"][0]
    assert source["undecided"] == ["Ward colour"]
    assert source["drop"] == ["Empty"]
    with pytest.raises(GraftledgerError) as refusal:
        parse_mapping(tomllib.loads(text), "A.toml", "", SETTINGS)
    assert [fault.field for fault in refusal.value.faults] == ["source 1, undecided"]


def test_units_are_taken_from_names_or_asked_for(make_sheet_of: MakeSheet) -> None:
    header = ["OP-Code", "Patientencode", "OP-Datum", "Operateur", "Dauer (min)", "Lagerzeit", "Fläche [in²]"]
    rows: list[list[str | None]] = [[key, key, "30.05.2024", "S1", "300", "1:30", "12,5"] for key in KEYS]
    text = proposed(make_sheet_of, header, rows)
    assert entry(text, "session", "duration_hours") == {"column": "Dauer (min)", "unit": "min"}
    assert entry(text, "session", "out_of_body_minutes") == {"column": "Lagerzeit", "unit": "h:mm"}
    assert entry(text, "session", "recipient_area_cm2") == {"column": "Fläche [in²]", "unit": "in2"}
    header[4] = "Dauer"
    text = proposed(make_sheet_of, header, rows)
    assert entry(text, "session", "duration_hours") == {"column": "Dauer", "unit": "TODO: perhaps min"}


def test_hairs_are_not_taken_for_follicular_units(make_sheet_of: MakeSheet) -> None:
    header = ["Patientencode", "Aufnahmedatum", "Status", "Spenderdichte (Haare/cm²)", "Geschlecht"]
    rows: list[list[str | None]] = [[key, "30.05.2024", "aktiv", "150", "w"] for key in KEYS]
    assert tomllib.loads(proposed(make_sheet_of, header, rows))["source"][0]["undecided"] == [
        "Spenderdichte (Haare/cm²)"
    ]


def test_thousands_and_decimal_signs(make_sheet_of: MakeSheet) -> None:
    header = ["OP-Code", "Patientencode", "OP-Datum", "Operateur", "Grafts gesamt", "Fläche"]
    rows: list[list[str | None]] = [[key, key, "30.05.2024", "S1", "2.500", "62,5"] for key in KEYS]
    text = proposed(make_sheet_of, header, rows)
    assert tomllib.loads(text)["source"][0]["decimal"] == ","
    assert entry(text, "session", "grafts_total") == {"column": "Grafts gesamt", "thousands": "."}


def test_groups_side_by_side_become_repeats(make_sheet_of: MakeSheet) -> None:
    header = ["OP-Code", "Patientencode", "OP-Datum", "Operateur", "Komplikation 1", "Schwere 1", "Komplikation 2",
              "Schwere 2", "Tag 7 Schwellung", "Monat 12 Taubheit Spender", "A gesetzt", "A gewachsen", "B gesetzt",
              "B gewachsen"]  # fmt: skip
    row: list[str | None] = ["30.05.2024", "S1", "Blutung", "leicht", "keine", None, "keine", "taub"]
    text = proposed(make_sheet_of, header, [[key, key, *row, "40", "36", "41", "39"] for key in KEYS])
    assert entry(text, "complication", "repeat") == ["1", "2"]
    assert entry(text, "complication", "kind")["codes"] == {"Blutung": "bleeding", "keine": "no_record"}
    assert entry(text, "visit", "repeat") == ["Tag 7", "Monat 12"]
    assert entry(text, "visit", "visited_on")["plus"] == {"Tag 7": "7d", "Monat 12": "12m"}
    assert entry(text, "visit", "numbness_donor")["column"] == {"Monat 12": "Monat 12 Taubheit Spender"}
    assert entry(text, "graft_count", "repeat") == ["A", "B"]
    assert entry(text, "graft_count", "placed_grafts") == "{label} gesetzt"
    assert entry(text, "graft_count", "area_label") == {"label": True}
    assert entry(text, "session", "session_number") == {"count_by": "performed_on"}


def test_yes_columns_become_a_set(make_sheet_of: MakeSheet) -> None:
    header = ["Session key", "Patient key", "Surgery date", "Surgeon", "HBV", "HCV", "HIV test"]
    rows: list[list[str | None]] = [[key, key, "2024-05-30", "S1", "x", None, "x"] for key in KEYS]
    found = entry(proposed(make_sheet_of, header, rows), "session", "tests_done")
    assert found["yes_columns"] == {"HBV": "hepatitis_b", "HCV": "hepatitis_c", "HIV test": "hiv"} or set(
        found["yes_columns"]
    ) == {"HBV", "HIV test"}
    assert found["codes"] == {"x": "yes"}


def test_patient_columns_of_a_session_sheet_are_gathered(make_sheet_of: MakeSheet) -> None:
    header = ["Session key", "Patient key", "Surgery date", "Surgeon", "Technique", "Grafts", "Sex", "Smoking"]
    rows: list[list[str | None]] = [
        [key, KEYS[0], f"2024-05-{at + 10}", "S1", "FUE", "2000", "m", "no"] for at, key in enumerate(KEYS)
    ]
    text = proposed(make_sheet_of, header, rows)
    assert entry(text, "patient", "gather_by") == "Surgery date"
    assert entry(text, "patient", "sex") == {"column": "Sex", "codes": {"m": "male"}}
    assert str(entry(text, "patient", "status_at_last_contact")).startswith("TODO")


def test_only_yes_in_a_column_asks_what_an_empty_cell_means(make_sheet_of: MakeSheet) -> None:
    header = ["Visit key", "Session key", "Visit date", "Type of contact", "Crusts"]
    rows: list[list[str | None]] = [
        [key, key, "2024-05-30", "phone", "x" if at % 2 else None] for at, key in enumerate(KEYS)
    ]
    assert 'only yes occurs: if an empty cell means no, add empty_means = "no"' in proposed(make_sheet_of, header, rows)


def test_identifying_columns_and_values_stay_out(make_sheet_of: MakeSheet) -> None:
    header = ["Patient key", "Patient name", "Enrolled", "Status", "Therapy", "Anna Example", "Phone"]
    rows: list[list[str | None]] = [
        [key, f"Berta Beispiel{at}", "2024-05-30", "active", f"call 0171 2345{at}678", "x", f"0171 234567{at}"]
        for at, key in enumerate(KEYS)
    ]
    text = proposed(make_sheet_of, header, rows)
    for hidden in ("Berta", "Beispiel", "0171", "2345", "Anna"):
        assert hidden not in text
    top = text.split("site =")[0]
    assert "suggests a person's name; take it out at the site" in top
    assert "suggests a telephone number; take it out at the site" in top


def test_surgeons_are_never_copied_from_a_file(make_sheet_of: MakeSheet) -> None:
    header = ["Session key", "Patient key", "Surgery date", "Surgeon", "Technique"]
    rows: list[list[str | None]] = [[key, key, "2024-05-30", f"Keller{at % 2}", "strip"] for at, key in enumerate(KEYS)]
    text = proposed(make_sheet_of, header, rows)
    assert "Keller" not in text
    assert entry(text, "session", "surgeon_code")["codes"].startswith("TODO")


def test_files_in_the_registrys_own_layout_need_nothing(make_sheet_of: MakeSheet) -> None:
    for record in RECORD_TYPES:
        sheet = make_sheet_of(list(record.field_names), [], file_name=f"{record.name}.csv")
        parsed = parse_mapping(tomllib.loads(propose_mapping([sheet], SETTINGS, "A")), "A.toml", "", SETTINGS)
        (rule,) = parsed.sources[0].records
        assert rule.record == record
        assert set(rule.fields) == set(record.field_names)


def test_a_sheet_that_fits_no_record_is_to_be_decided(make_sheet_of: MakeSheet) -> None:
    text = proposed(make_sheet_of, ["Abbreviation", "Stands for"], [["x", "y"]], sheet="Legend")
    with pytest.raises(GraftledgerError, match="source 1, ignore: is not decided yet"):
        parse_mapping(tomllib.loads(text), "A.toml", "", SETTINGS)


def test_labels_in_column_names() -> None:
    groups = label_groups(
        ["Kompl. 1", "Kompl. 2", "D7 swelling", "M12 swelling", "Day 7 numb", "Area A", "Area B", "x"]
    )
    assert [(group.kind, group.labels) for group in groups] == [
        ("time", ("D7", "M12", "Day 7")),
        ("letter", ("A", "B")),
        ("number", ("1", "2")),
    ]
    assert groups[0].columns["{label} swelling"] == {"D7": "D7 swelling", "M12": "M12 swelling"}
    assert [time_of_label(text) for text in ("D7", "Woche 2", "6 Monate", "1 year", "x 1")] == [
        "7d",
        "14d",
        "6m",
        "1y",
        None,
    ]


def test_likely_units(make_sheet_of: MakeSheet) -> None:
    hours = record_type("session").field("duration_hours")

    def column(*texts: str):  # type: ignore[no-untyped-def]
        return make_column("Dauer", [make_sheet_of(["c"], [[text] for text in texts]).frame["c"]], may_be_written=True)

    assert likely_unit(column("300", "240", "420"), hours) == "min"
    assert likely_unit(column("5", "4,5", "7"), hours) is None
    assert likely_unit(column("99999", "88888"), hours) is None


def test_every_name_of_a_field_finds_it() -> None:
    """Within its own record type, and save for names that the vocabulary gives to two fields on purpose."""
    for record in RECORD_TYPES:
        for field in record.fields:
            for name in field_names(record, field)[:2]:
                best = max(record.fields, key=lambda other: name_fit(name, field_names(record, other)))
                assert name_fit(name, field_names(record, best)) == name_fit(name, field_names(record, field)) == 1.0


def test_every_code_is_told_by_its_name_and_meaning() -> None:
    for record in RECORD_TYPES:
        for field in record.fields:
            if field.kind in (Kind.CODE, Kind.CODE_SET, Kind.YES_NO):
                names = ("yes", "no") if field.codes is None else field.codes.names
                assert set(code_answers(field).values()) == set(names), field.name


def test_telling_words() -> None:
    assert telling_words("Datum der OP") == ("datum", "op")
    assert telling_words("de") == ("de",)
