"""The definition is consistent, and everything that derives from it covers every field."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import pytest

from registry.definition import RECORD_TYPES, ROW_CHECKS, Field, Kind, RecordType, unknown_parent_check
from registry.dictionary import dictionary_markdown
from registry.errors import GraftledgerError
from registry.templates import write_templates

FIELDS = [(record, field) for record in RECORD_TYPES for field in record.fields]
CODED = [(record, field) for record, field in FIELDS if field.codes]
FIELD_IDS = [f"{record.name}.{field.name}" for record, field in FIELDS]


@pytest.mark.parametrize("record", RECORD_TYPES, ids=lambda record: record.name)
def test_keys_and_parents_are_required_fields(record: RecordType) -> None:
    assert set(record.key) <= set(record.required_names)
    if record.parent:
        assert record.parent_key in record.required_names


@pytest.mark.parametrize("record", RECORD_TYPES, ids=lambda record: record.name)
def test_names_are_unique_and_lower_snake_case(record: RecordType) -> None:
    names = list(record.field_names) + [rule.name for rule in record.rules]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[a-z][a-z0-9_]*", name) for name in names)


def test_rule_names_are_unique_over_all_records() -> None:
    names = [rule.name for record in RECORD_TYPES for rule in record.rules]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("record", RECORD_TYPES, ids=lambda record: record.name)
def test_rules_name_fields_of_their_record(record: RecordType) -> None:
    for rule in record.rules:
        assert rule.record == record.name
        assert set(rule.fields) <= set(record.field_names)
        assert rule.fields, rule.name


@pytest.mark.parametrize(("record", "field"), CODED, ids=[f"{r.name}.{f.name}" for r, f in CODED])
def test_codes_are_unique(record: RecordType, field: Field) -> None:
    assert field.codes is not None
    assert len(set(field.codes.names)) == len(field.codes.names)


@pytest.mark.parametrize(("record", "field"), FIELDS, ids=FIELD_IDS)
def test_every_field_is_a_constrained_column(record: RecordType, field: Field, empty_registry: Path) -> None:
    """A value outside the definition is refused by the table itself."""
    broken = {
        Kind.PSEUDONYM: "short",
        Kind.CODE: "no_such_code",
        Kind.CODE_SET: ["no_such_code"],
        Kind.DATE: "1900-01-01",
        Kind.QUARTER: "2026-Q5",
        Kind.AREA_LABEL: "AA",
    }
    with duckdb.connect(str(empty_registry / "registry.duckdb")) as connection:
        described = connection.execute(f"describe {record.name}").fetchall()
        column = next(row for row in described if row[0] == field.name)
        assert column[1].lower() == field.sql_type
        assert (column[2] == "NO") == field.required
        if field.kind in (Kind.SITE, Kind.SURGEON, Kind.YES_NO) or field.name == record.parent_key:
            return  # a reference is held against the key of its parent at every load
        value = broken.get(field.kind, field.high + 1 if field.high is not None else None)
        required = [name for name in record.required_names if name != field.name]
        sound = [sound_value(record.field(name)) for name in required]
        names = ", ".join([*required, field.name, "intake_id"])
        marks = ", ".join("?" for _ in range(len(required) + 2))
        statement = f"insert into {record.name} ({names}) values ({marks})"
        connection.execute(statement, [*sound, sound_value(field), 1])
        with pytest.raises(duckdb.ConstraintException):
            connection.execute(statement, [*sound, value, 1])


def sound_value(field: Field) -> object:
    """A value that the field allows."""
    match field.kind:
        case Kind.PSEUDONYM:
            return "k" * 16
        case Kind.CODE:
            assert field.codes is not None
            return field.codes.names[0]
        case Kind.CODE_SET:
            assert field.codes is not None
            return [field.codes.names[0]]
        case Kind.YES_NO:
            return True
        case Kind.DATE:
            return "2020-02-29"
        case Kind.INTEGER | Kind.NUMBER:
            return field.low
        case Kind.QUARTER:
            return "2026-Q3"
        case Kind.AREA_LABEL:
            return "A"
        case _:
            return "A"


def test_dictionary_holds_every_field_code_and_rule() -> None:
    page = dictionary_markdown()
    for record, field in FIELDS:
        assert f"| `{field.name}`" in page, record.name
        for code in field.codes.names if field.codes else ():
            assert f"`{code}`" in page
    for record in RECORD_TYPES:
        assert all(f"| `{rule.name}` |" in page for rule in record.rules)
    assert all(f"| `{name}` | {meaning} |" in page for name, meaning in ROW_CHECKS.items())


def test_every_parent_has_its_check() -> None:
    for record in RECORD_TYPES:
        assert record.parent is None or unknown_parent_check(record) in ROW_CHECKS


def test_dictionary_page_in_docs_is_current() -> None:
    page = Path(__file__).parents[2] / "docs" / "data_dictionary.md"
    assert page.read_text(encoding="utf-8") == dictionary_markdown()


def test_templates_have_every_field_in_order(tmp_path: Path) -> None:
    paths = write_templates(tmp_path / "new")
    assert [path.stem for path in paths] == [record.name for record in RECORD_TYPES]
    for path, record in zip(paths, RECORD_TYPES, strict=True):
        assert path.read_text(encoding="utf-8") == ",".join(record.field_names) + "\n"


def test_templates_never_overwrite(tmp_path: Path) -> None:
    (tmp_path / "visit.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(GraftledgerError, match=r"visit\.csv"):
        write_templates(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["visit.csv"]
