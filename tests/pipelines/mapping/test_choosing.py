"""Deciding a mapping by choosing, from a proposal to one that is whole. Expected values: by hand."""

from __future__ import annotations

import tomllib
from pathlib import Path

import polars as pl
import pytest

from pipelines.mapping import apply_mapping, load_mapping, propose_mapping, read_sheets
from pipelines.mapping.choosing import (
    LEAVE_OUT,
    SheetChoices,
    choices_of,
    mapping_data,
    mapping_lines,
    masked_samples,
    with_choices,
)
from pipelines.sources import SourceSheet
from registry import GraftledgerError
from registry.settings import load_settings

KEYS = [f"{letter}qxzvbnmwrtplkh{letter}" for letter in "abcdefghj"]


@pytest.fixture
def sheets(tmp_path: Path) -> list[SourceSheet]:
    """A site's visits, in which much is open: an answer, the form of dates, a unit, three columns."""
    path = tmp_path / "visits.csv"
    pl.DataFrame(
        {
            "Visit ID": KEYS,
            "Surgery ID": list(reversed(KEYS)),
            "Visit date": ["03/04/2024"] * 9,
            "Type of contact": ["phone", "in a dream", "office"] * 3,
            "Kz 7": ["0.2", "", "0.15"] * 3,
            "Ward": ["3", "4", ""] * 3,
            "<script>alert(1)</script>": ["x", "", "=1+1"] * 3,
        }
    ).write_csv(path)
    return read_sheets([path])


def proposed(sheets: list[SourceSheet], folder: Path) -> dict[str, object]:
    return mapping_data(propose_mapping(sheets, load_settings(folder / "settings.toml"), "A"))


def only(found: list[SheetChoices]) -> SheetChoices:
    (sheet,) = found
    return sheet


def name_of(sheet: SheetChoices, column: str) -> str:
    return next(placement.name for placement in sheet.placements if placement.column == column)


def test_a_proposal_is_decided_by_choosing_alone(
    sheets: list[SourceSheet], empty_registry: Path, tmp_path: Path
) -> None:
    settings, data = load_settings(empty_registry / "settings.toml"), proposed(sheets, empty_registry)
    found = only(choices_of(data, sheets))
    assert {placement.column: placement.at for placement in found.placements} == {
        "Visit ID": "visit.visit_key",
        "Surgery ID": "visit.session_key",
        "Visit date": "visit.visited_on",
        "Type of contact": "visit.contact_mode",
        "Kz 7": "",
        "Ward": "",
        "<script>alert(1)</script>": "",
    }
    chosen = {
        name_of(found, "Kz 7"): "visit.scar_width_mm",
        name_of(found, "Ward"): LEAVE_OUT,
        name_of(found, "<script>alert(1)</script>"): LEAVE_OUT,
    }
    for question in found.questions:
        if "31 December" in question.asks:
            chosen[question.name] = "%d/%m/%Y"
        if "in a dream" in question.asks:
            chosen[question.name] = "video"
    made = with_choices(data, sheets, chosen, settings)
    assert only(choices_of(made, sheets)).questions == ()
    path = tmp_path / "A.toml"
    path.write_text(mapping_lines(made), encoding="utf-8")
    (table,) = apply_mapping(sheets, load_mapping(path, settings))
    assert table.faults.is_empty()
    first = table.frame.row(1, named=True)
    assert (first["visited_on"], first["contact_mode"], table.frame["scar_width_mm"][0]) == (
        "2024-04-03",
        "video",
        "0.2",
    )


def test_a_column_can_be_moved_and_put_back(sheets: list[SourceSheet], empty_registry: Path) -> None:
    settings, data = load_settings(empty_registry / "settings.toml"), proposed(sheets, empty_registry)
    found = only(choices_of(data, sheets))
    moved = with_choices(data, sheets, {name_of(found, "Type of contact"): "visit.visit_reason"}, settings)
    again = only(choices_of(moved, sheets))
    assert next(p.at for p in again.placements if p.column == "Type of contact") == "visit.visit_reason"
    assert any("what does 'office' mean" in question.asks for question in again.questions)
    back = with_choices(moved, sheets, {name_of(found, "Type of contact"): ""}, settings)
    assert "Type of contact" in back["source"][0]["undecided"]


def test_what_was_not_offered_is_refused(sheets: list[SourceSheet], empty_registry: Path) -> None:
    data = proposed(sheets, empty_registry)
    found = only(choices_of(data, sheets))
    for chosen in (
        {name_of(found, "Ward"): "visit.nothing"},
        {name_of(found, "Ward"): 'x"]\n[[source]]'},
        {found.questions[0].name: "not offered"},
        {name_of(found, "Ward"): "visit.scar_width_mm", name_of(found, "Kz 7"): "visit.scar_width_mm"},
    ):
        with pytest.raises(GraftledgerError):
            with_choices(data, sheets, chosen, None)
    assert with_choices(data, sheets, {"c-0-99": LEAVE_OUT, "q-unknown": "x"}, None) == data


def test_the_text_reads_back_as_the_same_content(sheets: list[SourceSheet], empty_registry: Path) -> None:
    data = proposed(sheets, empty_registry)
    assert tomllib.loads(mapping_lines(data)) == data
    odd = {"site": 'a"b\\', "codes": {"x y": {"ä": ""}}, "source": [{"visit": [{"n": True}, {"m": [1, 2.5]}]}]}
    assert tomllib.loads(mapping_lines(odd)) == odd


def test_samples_tell_the_form_and_no_value(sheets: list[SourceSheet]) -> None:
    samples = masked_samples(sheets[0])
    assert samples["Visit date"] == ["99/99/9999"] * 3
    assert samples["Type of contact"] == ["aaaaa", "aa a aaaaa", "aaaaaa"]
    shown = "".join(text for texts in samples.values() for text in texts)
    assert not set(shown) & set("bcdefghijklmnopqrstuvwxyz012345678")


def test_text_that_is_no_toml_is_refused() -> None:
    with pytest.raises(GraftledgerError, match="not TOML"):
        mapping_data("site = A")
