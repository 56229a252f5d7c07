"""Blocks of text without quotes are read at once where nothing needs a closer look: never with another result."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.sources import delimited
from registry.errors import GraftledgerError

FIELDS = st.text(st.sampled_from("ab1-;,\t| \x0b\x1cé\u00a0"), max_size=4)
LINES = st.lists(st.lists(FIELDS, min_size=0, max_size=4).map(",".join), min_size=1, max_size=8)


def outcome(block: str | pl.Series, width: int, delimiter: str) -> object:
    """The rows, or the refusal."""
    try:
        frames = list(delimited._frames([block], width, delimiter, "a.csv"))
    except GraftledgerError as refusal:
        return [str(fault) for fault in refusal.faults]
    return [frame.rows() for frame in frames]


@given(lines=LINES, width=st.integers(1, 4), delimiter=st.sampled_from(",;\t|"), ended=st.booleans())
def test_as_line_by_line(lines: list[str], width: int, delimiter: str, ended: bool) -> None:
    """*By hand*: the way line by line, which every other test of the module holds to account."""
    text = "\n".join(lines) + ("\n" if ended else "")
    if text.strip("\n"):
        assert outcome(text, width, delimiter) == outcome(delimited._lines(text), width, delimiter)


@pytest.mark.parametrize("text", ["a,b\n1,2\n,\n", "a,b\n1,2"])
def test_plain_text_takes_the_short_way(text: str) -> None:
    frame = delimited._plain(text, ["c0", "c1"], ",")
    assert frame is not None
    assert frame.rows()[1] == ("1", "2")


@pytest.mark.parametrize("text", ["a,b\n1\n1,2,3\n", "a, b\n", "a,b\n\n", "é,b\n", "a,b,c\n"])
def test_what_needs_a_closer_look(text: str) -> None:
    """Among them a line with too few fields beside one with too many, so that the sum is right."""
    assert delimited._plain(text, ["c0", "c1"], ",") is None
