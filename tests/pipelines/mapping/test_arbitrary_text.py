"""Whatever stands in cells, headers and mappings, nothing but a refusal in plain words is raised."""

from __future__ import annotations

import tomllib
from typing import Any

import polars as pl
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipelines.mapping import apply_mapping, check_lines, propose_mapping
from pipelines.mapping.load import parse_mapping
from pipelines.sources import SourceSheet
from pipelines.sources.sheet import make_sheet
from registry import GraftledgerError

TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)
TELLING = st.sampled_from(
    ["Date", "Datum", "1 2", "Tag 7 x", "M12 x", "A y", "{label}", "Dauer (min)", "OP-Datum", "Komplikation 1",
     "Komplikation 2", "cm2", "Grafts", "TODO", '"', "\\", "source", "05.03.2024", "03/04/2024", "ja", "nein", "x",
     "1.234", "1,5", "4:30", "2024-02-30", "-", "n/a", "FUE", "Patient", "3,5 cm", "1e9", "∞", "٣", "²"]
)  # fmt: skip
CELL = st.none() | TEXT | TELLING


@st.composite
def sheets(draw: st.DrawFn) -> SourceSheet:
    width, height = draw(st.integers(1, 6)), draw(st.integers(0, 5))
    header = draw(st.lists(TEXT | TELLING, min_size=width, max_size=width))
    rows = draw(st.lists(st.lists(CELL, min_size=width, max_size=width), min_size=height, max_size=height))
    names = [f"c{position}" for position in range(width)]
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    name = draw(st.none() | TEXT)
    return make_sheet("file.xlsx", name, header, [frame], has_number_cells=draw(st.booleans()))


SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow], max_examples=40)


@settings(SLOW, max_examples=30)
@given(st.lists(sheets(), min_size=1, max_size=2))
def test_a_proposal_is_a_mapping_that_is_checked(found: list[SourceSheet]) -> None:
    """It is TOML whatever the names and values, and either applies or says in plain words what is missing."""
    text = propose_mapping(found, None, "A")
    data = tomllib.loads(text)
    try:
        check_lines(apply_mapping(found, parse_mapping(data, "A.toml")))
    except GraftledgerError:
        return


KINDS = """
site = "A"
date_format = ["%d.%m.%Y", "%m/%d/%Y", "%d %b %Y", "%Y%m%d"]
decimal = ","
thousands = "."
[[source]]
[source.session]
session_key = "c0"
patient_key = "c1"
surgeon_code = { column = "c2", codes = { x = "S1" } }
session_number = "c3"
performed_on = { column = "c0", date_format = ["%d.%m.%y", "%m/%Y", "%Y"] }
technique = { column = "c1", codes = { FUE = "follicular_unit_excision" }, empty_means = "strip" }
zones = { column = "c2", separator = "," }
tests_done = { yes_columns = { c0 = "hiv", c3 = "ferritin" }, codes = { x = "yes" }, all_no = "none" }
grafts_total = { column = "c3", codes = { ja = "5" } }
duration_hours = { column = "c0", unit = "h:mm" }
recipient_area_cm2 = { column = "c1", unit = "in2" }
out_of_body_minutes = "c2"
[source.patient]
gather_by = "c1"
patient_key = "c1"
enrolled_on = "c0"
status_at_last_contact = "c2"
last_contact_on = { column = "c3", pick = "last" }
[source.complication]
repeat = ["2", "3"]
session_key = { of_row = "session" }
complication_key = { key_of = ["session_key", "label", "kind"] }
kind = { column = "c{label}", codes = { x = "no_record" } }
severity = "c1"
onset_day = { column = "c0", days_since = "c1" }
last_present_day = { column = "c2", days_since = "session.performed_on" }
"""


@SLOW
@example([["\u0130", "1.234", "05.03.2024", "x"]], True)
@given(
    st.lists(st.lists(CELL, min_size=4, max_size=4), min_size=0, max_size=6),
    st.booleans(),
)
def test_cells_are_mapped_or_become_faults(rows: list[list[str | None]], has_number_cells: bool) -> None:
    names = ["c0", "c1", "c2", "c3"]
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    sheet = make_sheet("file.csv", None, names, [frame], has_number_cells=has_number_cells)
    mapping = parse_mapping(tomllib.loads(KINDS), "A.toml")
    tables = apply_mapping([sheet], mapping)
    check_lines(tables)
    for table in tables:
        assert table.faults["position"].is_in(range(table.frame.height)).all()
    session = next(table for table in tables if table.record.name == "session")
    for name, column in (("technique", "c1"), ("grafts_total", "c3"), ("recipient_area_cm2", "c1")):
        mapped = session.frame[name].is_not_null()
        faults = session.faults.filter(pl.col("field") == name)["position"]
        faulty = pl.int_range(mapped.len(), dtype=pl.UInt32, eager=True).is_in(faults.implode())
        assert (mapped | faulty | sheet.frame[column].is_null()).all(), f"a value of {name} was lost"


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | TEXT | TELLING,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=8,
)
KEYS = ("site", "decimal", "date_format", "empty", "codes", "source", "thousands", "other")


@SLOW
@given(st.dictionaries(st.sampled_from(KEYS), JSON), st.dictionaries(st.sampled_from(
    ("file", "sheet", "drop", "undecided", "ignore", "encoding", "session", "visit", "complication", "where", "decimal")
), JSON), st.dictionaries(st.sampled_from(
    ("repeat", "where", "only_if", "gather_by", "kind", "session_key", "complication_key", "onset_day", "severity")
), JSON))  # fmt: skip
def test_any_content_of_a_mapping_is_read_or_refused(
    data: dict[str, Any], source: dict[str, Any], record: dict[str, Any]
) -> None:
    for content in (data, {**data, "source": [source]}, {**data, "source": [{**source, "complication": record}]}):
        try:
            parse_mapping(content, "A.toml")
        except GraftledgerError:
            continue
