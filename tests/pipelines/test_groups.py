"""The fields that figures may be split by."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipelines import complications, group_fields
from pipelines.groups import all_groups, chosen_fields, shared_texts, shared_values
from registry.definition import Kind, record_type
from registry.errors import GraftledgerError
from registry.settings import parse_settings
from registry.store import Registry
from tests.small_registry import insert_rows, on, registry_in_memory

SETTINGS = parse_settings({"practice": "p", "sites": ["A", "B"], "surgeons": ["S1", "S2"]}, "settings.toml")
FIELDS = group_fields(SETTINGS)


def test_every_coded_field_can_be_chosen_but_those_that_tell_the_future() -> None:
    coded = {
        field.name
        for name in ("patient", "session")
        for field in record_type(name).fields
        if field.kind in (Kind.CODE, Kind.SITE, Kind.SURGEON)
    }
    future = {"last_contact_reason", "status_at_last_contact"}
    assert future < coded
    assert set(FIELDS) == coded - future | {"age_band", "session_number", "session_size", "year"}


@pytest.mark.parametrize("name", FIELDS)
def test_every_field_works_and_finds_declared_values_alone(name: str) -> None:
    with registry_in_memory() as registry:
        insert_rows(
            registry,
            "patient",
            [
                {
                    "patient_key": "p",
                    "age_at_first_surgery_years": 40,
                    "sex": "male",
                    "pattern_scale": "ludwig",
                    "pattern_stage": "II",
                },
                {"patient_key": "q"},
            ],
        )
        insert_rows(
            registry,
            "session",
            [
                {"session_key": "s", "patient_key": "p", "donor_closure": "plain"},
                {"session_key": "t", "patient_key": "q"},
            ],
        )
        insert_rows(registry, "site_period", [{}])
        figures = [f for f in complications(registry, by=(name,)) if f.measure == "infection"]
    counted = {f.group[name]: sum(f.not_counted.values()) for f in figures}
    assert sum(counted.values()) == 2
    assert len(counted) == len(figures)
    declared = FIELDS[name].values
    if declared is not None:
        assert list(counted)[: len(declared)] == list(declared)
        assert set(counted) - set(declared) <= {"not recorded"}


def groups_of(registry: Registry, name: str) -> set[str]:
    figures = complications(registry, by=(name,))
    return {f.group[name] for f in figures if f.not_counted}


def test_values_as_they_are_shown() -> None:
    with registry_in_memory() as registry:
        insert_rows(
            registry,
            "patient",
            [{"patient_key": "p", "age_at_first_surgery_years": 34, "pattern_scale": "ludwig", "pattern_stage": "II"}],
        )
        session = {"session_key": "s", "patient_key": "p", "session_number": 12, "performed_on": on(400)}
        insert_rows(registry, "session", [{**session, "surgeon_code": "S1", "harvest_by": "S2"}])
        insert_rows(registry, "site_period", [{}])
        assert groups_of(registry, "age_band") == {"25-34"}
        assert groups_of(registry, "pattern_stage") == {"ludwig II"}  # not stage II of the other scale
        assert groups_of(registry, "session_number") == {"12"}
        assert groups_of(registry, "year") == {"2011"}
        assert groups_of(registry, "harvest_by") == {"S2"}
        assert groups_of(registry, "placed_by") == {"S1"}  # empty: the responsible surgeon


def test_numbers_found_are_in_their_order() -> None:
    fields = chosen_fields(("session_number",), SETTINGS)
    found = [("10",), ("not recorded",), ("2",), ("1",)]
    assert all_groups(fields, found) == [("1",), ("2",), ("10",), ("not recorded",)]


def test_two_fields_cross() -> None:
    fields = chosen_fields(("sex", "site_code"), SETTINGS)
    assert len(all_groups(fields, [])) == 4 * 2
    assert all_groups((), []) == [()]


@pytest.mark.parametrize(
    ("by", "message"),
    [
        (["agebnd"], "Did you mean age_band"),
        (["status_at_last_contact"], "cannot be split by"),
        (["patient_key"], "cannot be split by"),
        (["sex", "sex"], "stands twice"),
        (["sex", "smoking", "diabetes"], "at most 2 fields"),
        (['sex" from patient --'], "cannot be split by"),
    ],
)
def test_refusals(by: list[str], message: str) -> None:
    with pytest.raises(GraftledgerError, match=message):
        chosen_fields(by, SETTINGS)


def test_no_value_is_written_into_the_sql() -> None:
    texts = shared_texts(chosen_fields(("age_band", "surgeon_code"), SETTINGS))
    assert not any(code in text for text in texts.values() for code in ("25-34", "S1"))
    assert shared_values(SETTINGS, None)["age_bands"] == list(SETTINGS.age_bands)


def test_every_step_is_used_and_lower_case() -> None:
    folder = Path(__file__).parents[2] / "pipelines" / "sql"
    names = {path.stem for path in folder.glob("*.sql")}
    code = "".join(path.read_text(encoding="utf-8") for path in folder.parent.rglob("*.py"))
    assert {name for name in names if f'"{name}"' not in code} == set()
    for path in folder.glob("*.sql"):
        lines = [re.sub(r"--.*|'[^']*'", "", line) for line in path.read_text(encoding="utf-8").splitlines()]
        assert "\n".join(lines) == "\n".join(lines).lower(), path.name
