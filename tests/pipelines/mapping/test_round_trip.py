"""Random records, written as a random site would write them, and mapped back. Fixed by hypothesis' own database."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.mapping import apply_mapping
from pipelines.mapping.load import parse_mapping
from pipelines.mapping.words import plain
from pipelines.sources.sheet import make_sheet
from registry import RECORD_TYPES
from registry.definition import Field, Kind

WORD = st.text("abcdefghijklmnopqrstuvwxyzäöüéñ", min_size=3, max_size=9)
DATE_FORMS = ("%d.%m.%Y", "%m/%d/%Y", "%d/%m/%Y", "%Y%m%d", "%d %b %Y", "%Y-%m-%d")
UNITS = {"hours": ("min", 60), "millimetres": ("um", 1000), "cm2": ("mm2", 100), "minutes": ("s", 60)}
"""Units in which a value of at most two decimals is a number of at most two decimals again."""


def _shout(text: str) -> str:
    return f" {text.upper()} "


def _written_number(value: str, decimal: str, unit_factor: int) -> str:
    number = f"{float(value) * unit_factor:.4f}".rstrip("0").rstrip(".") if unit_factor != 1 else value
    return number.replace(".", decimal)


def _values(field: Field) -> st.SearchStrategy[str]:
    """Valid values of a field, in the registry's own writing."""
    match field.kind:
        case Kind.PSEUDONYM:
            return st.text("abcdefgh0123456789_-", min_size=16, max_size=20)
        case Kind.CODE:
            assert field.codes is not None
            return st.sampled_from(field.codes.names)
        case Kind.CODE_SET:
            assert field.codes is not None
            return st.sets(st.sampled_from(field.codes.names), min_size=1).map(lambda codes: ";".join(sorted(codes)))
        case Kind.YES_NO:
            return st.sampled_from(["yes", "no"])
        case Kind.DATE:
            return st.integers(0, 20_000).map(lambda days: (date(1990, 1, 1) + timedelta(days)).isoformat())
        case Kind.INTEGER:
            return st.integers(int(field.low or 0), int(field.high or 0)).map(str)
        case Kind.NUMBER:
            return st.integers(int((field.low or 0) * 100), int((field.high or 0) * 100)).map(lambda n: f"{n / 100:g}")
        case Kind.QUARTER:
            return st.sampled_from(["2024-Q1", "2023-Q4"])
        case Kind.AREA_LABEL:
            return st.sampled_from("ABZ")
        case _:
            return st.sampled_from(["S1", "S2"])


@st.composite
def _sites(draw: st.DrawFn) -> tuple[dict[str, Any], pl.DataFrame, pl.DataFrame, str]:
    """A mapping, the site's frame, the registry's frame and the record type."""
    record = draw(st.sampled_from(RECORD_TYPES))
    decimal = draw(st.sampled_from([".", ","]))
    height = draw(st.integers(1, 6))
    own: dict[str, list[str | None]] = {}
    expected: dict[str, list[str | None]] = {}
    entries: dict[str, Any] = {}
    names = draw(st.lists(WORD, min_size=len(record.fields), max_size=len(record.fields), unique_by=plain))
    for field, name in zip(record.fields, names, strict=True):
        values = draw(st.lists(st.none() | _values(field), min_size=height, max_size=height))
        expected[field.name] = values
        entry: dict[str, Any] = {"column": name}
        written = values
        if field.kind in (Kind.CODE, Kind.YES_NO, Kind.CODE_SET):
            codes = ("yes", "no") if field.codes is None else field.codes.names
            words = draw(st.lists(WORD, min_size=len(codes), max_size=len(codes), unique_by=plain))
            word = dict(zip(codes, words, strict=True))
            entry["codes"] = {own_word: code for code, own_word in word.items()}
            separator = draw(st.sampled_from([",", "+", "/"])) if field.kind is Kind.CODE_SET else ";"
            if field.kind is Kind.CODE_SET:
                entry["separator"] = separator
            written = [
                None if value is None else separator.join(_shout(word[code]) for code in value.split(";"))
                for value in values
            ]
        elif field.kind is Kind.DATE:
            form = draw(st.sampled_from(DATE_FORMS))
            entry["date_format"] = form
            written = [None if value is None else date.fromisoformat(value).strftime(form) for value in values]
        elif field.kind in (Kind.INTEGER, Kind.NUMBER):
            unit, factor = UNITS.get(field.unit or "", ("", 1)) if draw(st.booleans()) else ("", 1)
            if unit:
                entry["unit"] = unit
            written = [None if value is None else _written_number(value, decimal, factor) for value in values]
        entries[field.name] = entry
        own[name] = list(written)
    data = {"site": "A", "decimal": decimal, "source": [{record.name: entries, "drop": ["dropped column"]}]}
    own["dropped column"] = ["x"] * height
    schema = dict.fromkeys(own, pl.String)
    return (
        data,
        pl.DataFrame(own, schema=schema),
        pl.DataFrame(expected, schema_overrides=dict.fromkeys(expected, pl.String)),
        record.name,
    )


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(_sites())
def test_records_written_a_sites_way_come_back(site: tuple[dict[str, Any], pl.DataFrame, pl.DataFrame, str]) -> None:
    data, frame, expected, record_name = site
    mapping = parse_mapping(data, "A.toml")
    sheet = make_sheet("file.csv", None, frame.columns, [frame], has_number_cells=False)
    (table,) = apply_mapping([sheet], mapping)
    assert table.faults.is_empty()
    assert table.record.name == record_name
    for field in table.record.fields:
        found, wanted = table.frame[field.name], expected[field.name]
        if field.kind is Kind.NUMBER:
            assert found.cast(float).to_list() == pytest.approx(wanted.cast(float).to_list(), abs=1e-6)
        else:
            assert found.to_list() == wanted.to_list(), field.name
