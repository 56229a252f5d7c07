"""The derived expectations: every code and both ends of every range pass, and what lies outside fails."""

from __future__ import annotations

import duckdb
import pandas as pd
import pytest

from pipelines.intake.checks import Check, field_checks, number_column
from pipelines.intake.frames import alike_rows_sql, field_frames
from pipelines.intake.names import candidate
from pipelines.intake.validation import Validate, make_validator
from registry import RECORD_TYPES, GraftledgerError, Settings
from registry.definition import PATIENT, ROW_CHECKS, Field, Kind

SETTINGS = Settings("Test practice", ("A", "B"), ("S1", "S2"))
FIELDS = {f"{record.name}.{field.name}": field for record in RECORD_TYPES for field in record.fields}
CODED = {
    name: field
    for name, field in FIELDS.items()
    if field.kind in (Kind.CODE, Kind.CODE_SET, Kind.YES_NO, Kind.SITE, Kind.SURGEON)
}
NUMBERS = {name: field for name, field in FIELDS.items() if field.low is not None}


@pytest.fixture(scope="module")
def validate() -> Validate:
    return make_validator()


def allowed_values(field: Field) -> list[str]:
    match field.kind:
        case Kind.CODE_SET:
            assert field.codes is not None
            return [*field.codes.names, ";".join(field.codes.names)]
        case Kind.YES_NO:
            return ["yes", "no"]
        case Kind.SITE:
            return ["A", "B"]
        case Kind.SURGEON:
            return ["S1", "S2", *field.also_allowed]
        case _:
            assert field.codes is not None
            return list(field.codes.names)


def test_only_the_responsible_surgeon_may_be_elsewhere() -> None:
    """By hand, from the meaning of session.surgeon_code."""
    assert [name for name, field in FIELDS.items() if field.also_allowed] == ["session.surgeon_code"]


@pytest.mark.parametrize("name", CODED)
def test_every_code_passes_and_other_text_fails(name: str, validate: Validate) -> None:
    field = CODED[name]
    sound = allowed_values(field)
    wrong = ["", "None", sound[0] + " ", sound[0].upper() + "x", f"{sound[0]};", f";{sound[0]}"]
    frame = pd.DataFrame({field.name: sound + wrong}, index=range(1, len(sound + wrong) + 1))
    ((check, row_ids),) = validate(frame, field_checks(field, SETTINGS))
    assert check.rule == "unknown_code"
    assert row_ids == list(range(len(sound) + 1, len(sound + wrong) + 1))


@pytest.mark.parametrize("name", NUMBERS)
def test_both_ends_of_a_range_are_in_it(name: str, validate: Validate) -> None:
    field = NUMBERS[name]
    assert field.low is not None
    assert field.high is not None
    values = [field.low, field.high, field.low - 0.001, field.high + 0.001, None]
    checks = [check for check in field_checks(field, SETTINGS) if check.rule == "out_of_range"]
    frame = pd.DataFrame({number_column(field): values}, index=range(10, 15))
    assert [row_ids for _, row_ids in validate(frame, checks)] == [[12, 13]]


def test_keys_are_judged_by_how_they_are_written(validate: Validate) -> None:
    """By hand: 15, 16, 64 and 65 characters, one that no key has, an empty one, and a thousand that are sound: three
    lines to judge, whatever their number."""
    key = FIELDS["patient.patient_key"]
    written = ["x" * 15, "x" * 16, "x" * 64, "x" * 65, "x" * 16 + ".", None]
    rows = [*enumerate(written), *((number, f"{number:016}") for number in range(100, 1100))]
    with duckdb.connect() as connection:
        connection.execute(f"create table {candidate(PATIENT)} (row_id bigint, {key.name} varchar)")
        connection.executemany(f"insert into {candidate(PATIENT)} values (?, ?)", rows)
        (frame,) = field_frames(connection, PATIENT, key)
        line_of = dict(connection.sql(alike_rows_sql(PATIENT, key)).fetchall())
    assert len(frame) == 3
    found = {check.rule: set(lines) for check, lines in validate(frame, field_checks(key, SETTINGS))}
    at_fault = {rule: {row for row, line in line_of.items() if line in lines} for rule, lines in found.items()}
    assert at_fault == {"missing_required": {5}, "wrong_format": {0, 3, 4}}


@pytest.mark.parametrize(("values", "sizes"), [(0, []), (3, [3]), (4, [4]), (5, [4, 1]), (8, [4, 4])])
def test_frames_hold_every_value_once_in_chunks(values: int, sizes: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipelines.intake.frames.CHUNK_ROWS", 4)
    sex = FIELDS["patient.sex"]
    with duckdb.connect() as connection:
        connection.execute(
            f"create table {candidate(PATIENT)} as select range as row_id, range::varchar as sex from range(?)",
            [values],
        )
        frames = list(field_frames(connection, PATIENT, sex))
    assert [len(frame) for frame in frames] == sizes
    assert {value for frame in frames for value in frame["sex"]} == {str(number) for number in range(values)}


def test_every_check_of_a_field_is_in_the_dictionary() -> None:
    rules = {check.rule for field in FIELDS.values() for check in field_checks(field, SETTINGS)}
    assert rules <= set(ROW_CHECKS)


def test_a_check_that_breaks_down_is_never_taken_for_a_pass(validate: Validate) -> None:
    frame = pd.DataFrame({"a": ["x"]})
    check = Check("some_rule", "b", "ExpectColumnValuesToBeInSet", {"column": "b", "value_set": [1]}, "reason", "mend")
    with pytest.raises(GraftledgerError, match="some_rule could not be checked; nothing was changed"):
        validate(frame, [check])


def test_a_column_without_a_value_fails_only_for_being_empty(validate: Validate) -> None:
    """By hand: of two rows, both empty, a required field finds both; a set, a pattern and a range find nothing. One
    value beside them, and it is judged by all."""
    checks = [
        Check("missing", "code", "ExpectColumnValuesToNotBeNull", {"column": "code"}, "", ""),
        Check("unknown", "code", "ExpectColumnValuesToBeInSet", {"column": "code", "value_set": ["a"]}, "", ""),
        Check("written", "code", "ExpectColumnValuesToMatchRegex", {"column": "code", "regex": "^a$"}, "", ""),
        Check("range", "n", "ExpectColumnValuesToBeBetween", {"column": "n", "min_value": 0, "max_value": 1}, "", ""),
    ]
    empty = pd.DataFrame({"code": pd.Series([None, None], dtype=object), "n": pd.Series([None, None], dtype=float)})
    assert [(check.rule, rows) for check, rows in validate(empty, checks)] == [("missing", [0, 1])]
    assert validate(empty, checks[1:]) == []
    beside = pd.DataFrame({"code": ["b", None], "n": [2.0, None]})
    found = {check.rule: rows for check, rows in validate(beside, checks)}
    assert found == {"missing": [1], "unknown": [0], "written": [0], "range": [0]}
