"""Tables hold what their heads promise."""

from __future__ import annotations

import pytest

from pipelines.figure import Figure
from reports.layout import Cell, Row, Table, capitalised, not_counted_table, picked, share_cell


def test_a_row_that_does_not_fill_the_columns_is_refused() -> None:
    with pytest.raises(ValueError, match="row short"):
        Table("t", ("Group", "A", "B"), (Row("short", (Cell("1"),)),))


def test_a_heading_row_needs_no_cells() -> None:
    assert Table("t", ("Group", "A"), (Row("heading"),)).rows[0].cells == ()


def test_reasons_that_never_occur_have_no_column() -> None:
    figures = [
        ("one", Figure("m", 5, "sessions", "wilson", not_counted={"died": 2, "not_due": 0})),
        ("two", Figure("m", 6, "sessions", "wilson", not_counted={"missed_visit": 3})),
    ]
    table = not_counted_table("t", "Group", figures, "Assessed")
    assert table.heads == ("Group", "Assessed", "Died", "No contact in time")
    assert [[cell.text for cell in row.cells] for row in table.rows] == [["5", "2", "0"], ["6", "0", "3"]]
    assert table.notes == ()


def test_where_nobody_is_left_out_it_says_so() -> None:
    table = not_counted_table("t", "Group", [("one", Figure("m", 5, "sessions", "wilson"))], "Assessed")
    assert table.heads == ("Group", "Assessed")
    assert table.notes == ("None is left out.",)


def test_a_cell_that_rests_on_too_few_is_marked_in_words_too() -> None:
    few = Figure("m", 4, "sessions", "wilson", estimate=0.5, lower=0.1, upper=0.9, flags=("too_few",))
    assert share_cell(few) == Cell("50.0%", ("10.0% to 90.0%", "too few"), few=True)


def test_a_cell_without_a_figure_is_a_dash() -> None:
    assert share_cell(None) == Cell("–")


def test_picking_keeps_the_order() -> None:
    figures = [Figure(name, 1, "sessions", "count", at=at) for name, at in (("a", 1), ("b", 1), ("a", 2))]
    assert [figure.at for figure in picked(figures, "a")] == [1, 2]
    assert [figure.at for figure in picked(figures, "a", 2)] == [2]


def test_capitals_inside_a_text_stay() -> None:
    assert capitalised("norwood VI") == "Norwood VI"
