"""Whatever stands in a file: the gate answers, and repeats neither a value nor a column name that it does not know."""

from __future__ import annotations

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.identifiers import TableFacts, find_identifiers
from pipelines.identifiers.headers import may_be_shown
from registry import RECORD_TYPES

SOME = "Zq@.,;:/-_+()0123456789 äÉşŁé'’<>\n\t\x00=%&" + "abcdefgABCDEFG"
TEXT = st.one_of(st.text(min_size=8, max_size=60), st.text(alphabet=SOME, min_size=8, max_size=40))


@settings(max_examples=150, deadline=None)
@given(
    header=st.lists(TEXT, min_size=1, max_size=4),
    rows=st.lists(st.one_of(st.none(), TEXT), min_size=0, max_size=12),
    record=st.sampled_from([None, *RECORD_TYPES]),
    data=st.data(),
)
def test_no_text_breaks_the_gate_or_is_repeated(
    header: list[str], rows: list[str | None], record: object, data: st.DataObject
) -> None:
    names = [f"c{at}" for at in range(len(header))]
    facts = TableFacts(header=header)
    if record is not None:
        fields = data.draw(st.lists(st.sampled_from(record.field_names), min_size=1, max_size=4, unique=True))  # type: ignore[attr-defined]
        names, facts = fields, TableFacts(record=record)  # type: ignore[arg-type]
    frame = pl.DataFrame({name: pl.Series(rows, dtype=pl.String) for name in names})
    said = "\n".join(map(str, find_identifiers(frame, file_name="x.csv", facts=facts)))
    assert not [value for value in rows if value and value in said]
    if record is None:
        assert not [name for name in header if name in said and not may_be_shown(name)]
