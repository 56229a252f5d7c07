"""Mappings that are at fault, and what the user is told. Expected values: by hand."""

from __future__ import annotations

import tomllib
from hashlib import sha256
from pathlib import Path

import pytest

from pipelines.mapping import load_mapping
from pipelines.mapping.codes import own_codes
from pipelines.mapping.load import RECORD_OPTIONS, parse_mapping
from registry import RECORD_TYPES, GraftledgerError, Settings

SETTINGS = Settings("Practice", ("A", "B"), ("S1", "S2"))
SOUND = """
site = "A"
[[source]]
[source.complication]
complication_key = "Key"
session_key = "Session"
kind = "Kind"
severity = "Severity"
"""


def faults_of(text: str, settings: Settings | None = None) -> list[str]:
    with pytest.raises(GraftledgerError) as refusal:
        parse_mapping(tomllib.loads(text), "A.toml", "", settings)
    return [str(fault) for fault in refusal.value.faults]


def test_a_sound_mapping_is_read_from_its_file(tmp_path: Path) -> None:
    path = tmp_path / "A.toml"
    path.write_text(SOUND, encoding="utf-8")
    mapping = load_mapping(path, SETTINGS)
    assert mapping.site == "A"
    assert mapping.digest == sha256(SOUND.encode()).hexdigest()
    (rule,) = mapping.sources[0].records
    assert list(rule.fields) == ["complication_key", "session_key", "kind", "severity"]


def test_a_missing_or_unreadable_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="cannot be read"):
        load_mapping(tmp_path / "none.toml")
    for content in (b"site = ", b"\xff\xfe", b"a = " + b"[" * 100_000):
        (tmp_path / "A.toml").write_bytes(content)
        with pytest.raises(GraftledgerError, match="not a TOML file"):
            load_mapping(tmp_path / "A.toml")
    (tmp_path / "A.toml").write_bytes(b"#" * 2_000_000)
    with pytest.raises(GraftledgerError, match="larger than a mapping"):
        load_mapping(tmp_path / "A.toml")


def test_all_faults_come_at_once_and_name_their_key() -> None:
    faults = faults_of("""
        colour = "red"
        decimal = ";"
        date_format = "%d.%m"
        [[source]]
        undecided = ["Notes"]
        sheeet = "x"
        [source.session]
        session_key = "K"
        tecnique = "T"
        technique = { column = "T", codes = { FUE = "excision" } }
        grafts_total = { column = "G", unit = "hairs" }
        recipient_area_cm2 = { column = "A", unit = "acres" }
        duration_hours = { colum = "D" }
    """)
    text = "\n".join(faults)
    for expected in (
        "A.toml, colour: unknown key.",
        "A.toml, site: is missing.",
        "A.toml, decimal: must be '.' or ','.",
        "A.toml, date_format: a date needs its year, month and day",
        "A.toml, source 1, undecided: 'Notes' is not decided yet.",
        "A.toml, source 1, sheeet: unknown key. Did you mean sheet?",
        "A.toml, source 1, session, tecnique: a session has no such field. Did you mean technique?",
        "A.toml, source 1, session, technique, codes: 'excision' is no code of technique.",
        "A.toml, source 1, session, grafts_total, unit: hairs are not follicular units",
        "A.toml, source 1, session, recipient_area_cm2, unit: 'acres' cannot be converted to cm2.",
        "A.toml, source 1, session, duration_hours: must have one of: column,",
        "A.toml, source 1, session, performed_on: the required field of a session is not mapped.",
    ):
        assert expected in text, expected


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ('kind = { column = "K", codes = "TODO" }', "kind, codes: is not decided yet"),
        ('kind = { column = "K", codes = { blau = "TODO" } }', "kind, codes, blau: is not decided yet"),
        ('kind = "TODO"', "kind, column: is not decided yet"),
        ('kind = { column = "K", codes = "names" }', "there is no table [codes.names]"),
        ('kind = { column = "K", codes = { a = "cyst", " Á" = "keloid" } }', "stands twice, for different codes"),
        ('kind = { column = "K", empty_means = "nothing" }', "'nothing' is no code of kind"),
        ('kind = { column = "K", value = "cyst" }', "must have one of"),
        ('kind = { column = "K", seperator = "," }', "unknown key. Did you mean separator?"),
        ('kind = { column = "K", separator = "," }', "goes with sets of codes alone"),
        ('kind = { column = "K", unit = "mm" }', "has no unit to convert"),
        ('kind = { column = "K", pick = "best" }', "must be 'first' or 'last'"),
        ('kind = { column = "K {label}" }', "the record has no repeat"),
        ('kind = { column = { one = "K" } }', "'one' is no label of repeat"),
        ('kind = { column = "K", date_format = ["%d/%m/%Y", "%m/%d/%Y"] }', "would read the same text as different"),
        ("kind = { label = true }", "the record has no repeat"),
        ('kind = { value = "unknown kind" }', "is no code of kind"),
        ("kind = 5", "must be a table"),
        ('kind = { yes_columns = { a = "cyst" } }', "goes with sets of codes alone"),
        ('kind = { key_of = ["session_key", "kind"] }', "only the key of a record that belongs to another"),
        ('kind = { of_row = "session" }', "must be the record that kind refers to: none"),
        ('kind = { count_by = "x" }', "cannot be counted"),
        ('onset_day = { column = "O", days_since = "patient.enrolled_on" }', "belongs to no patient"),
        ('onset_day = { column = "O", days_since = "session.technique" }', "is no date of a session"),
        ('severity = { column = "S", days_since = "session.performed_on" }', "severity is no number of days"),
        ('session_key = { of_row = "session" }', "the source gives no session"),
        ('session_key = { value = "0123456789abcdef" }', "cannot be the same in every row"),
        ('complication_key = { key_of = ["kind", "session_key"] }', "must begin with session_key"),
        ('complication_key = { key_of = ["session_key", "kid"] }', "Did you mean kind?"),
        ('complication_key = { key_of = ["session_key", "label"] }', "the record has no repeat"),
        ('complication_key = { key_of = ["session_key", "clavien_dindo"] }', "cannot be made of clavien_dindo"),
        ('complication_key = { column = "K", codes = { a = "b" } }', "a pseudonym has no codes"),
        ('repeat = ["1", "1"]', "a label stands twice"),
        ('repeat = ["1"]', "no column differs by label"),
        ("repeat = 1", "must be a list of texts"),
        ('where = "Type"', "must be a table"),
        ('where = { column = "Type" }', "must name a column and answers"),
    ],
)
def test_each_fault_is_told(line: str, expected: str) -> None:
    key = line.split(" ")[0]
    kept = [old for old in SOUND.splitlines() if not old.startswith(f"{key} ")]
    assert expected in "\n".join(faults_of("\n".join([*kept, line])))


def test_codes_are_checked_against_the_settings() -> None:
    text = """
        site = "C"
        [[source]]
        [source.graft_count]
        count_key = "K"
        session_key = "S"
        area_label = { column = "L", codes = { links = "A", rechts = "BB" } }
        area_cm2 = "A"
        placed_grafts = { column = "G", codes = { viele = "many" } }
        counted_on = "D"
        method = "M"
        counter_code = { column = "C", codes = { X = "S1", Y = "S9" } }
    """
    found = "\n".join(faults_of(text, SETTINGS))
    assert "A.toml, site: is no site of the registry's settings." in found
    assert "counter_code, codes: 'S9' is no surgeon code of the settings." in found
    assert "area_label, codes: 'BB' is no letter from A to Z." in found
    assert "placed_grafts, codes: 'many' is no number." in found
    assert "'S1'" not in found


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('site = "A"', "must be at least one table, written [[source]]"),
        ('site = "A"\n[source]\nfile = "x"', "must be at least one table"),
        ('site = "A"\n[[source]]\nfile = "x"', "must either say which records it gives"),
        (SOUND.replace("[[source]]", "[[source]]\nignore = true"), "must either say which records it gives"),
        (SOUND.replace("[[source]]", '[[source]]\nencoding = "hex"'), "is not an encoding"),
        (SOUND.replace("[[source]]", '[[source]]\nthousands = "."'), "another sign than decimal"),
        (SOUND.replace("[[source]]", "[[source]]\nignore = 1"), "must be true or false"),
        (SOUND + '[source.visit]\nwhere = { column = "T", is = "x" }', "either every record of a source chooses"),
        (SOUND.replace("[[source]]", '[[source]]\nignore_rows = { column = "T", is = ["x"] }'), "goes with records"),
        ("site = 5", "must be a text in quotes"),
        ("codes = 5", "must be a table"),
        ("[codes.a]\nb = []", "must be a text in quotes"),
    ],
)
def test_faults_of_the_frame(text: str, expected: str) -> None:
    assert expected in "\n".join(faults_of(text))


def test_dates_without_a_day_need_a_field_for_their_precision() -> None:
    visit = """
        site = "A"
        [[source]]
        [source.visit]
        visit_key = "K"
        session_key = "S"
        contact_mode = "M"
    """
    found = faults_of(visit + 'visited_on = { column = "D", date_format = ["%d.%m.%Y", "%m/%Y"] }')
    assert found == [
        "A.toml, source 1, visit, visited_on, date_format: needs day, month and year: this field is a day."
    ]


def test_no_field_is_named_like_an_option() -> None:
    """Options and fields stand side by side in a mapping."""
    assert not {name for record in RECORD_TYPES for name in record.field_names} & set(RECORD_OPTIONS)


def test_codes_differ_whatever_their_case_accents_and_spaces() -> None:
    for record in RECORD_TYPES:
        for field in record.fields:
            if field.codes is not None:
                assert len(own_codes(field)) == len(field.codes.names), field.name
