"""Statements are read, or refused with what to mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.expectations import load_statements
from registry.errors import GraftledgerError

GOOD = 'name = "a"\nsays = "A"\nmeasure = "infection"\nat_most = 0.02\n'


def load(folder: Path, *tables: str) -> object:
    path = folder / "expectations.toml"
    path.write_text("".join(f"[[expectation]]\n{table}\n" for table in tables), encoding="utf-8")
    return load_statements(path)


def test_the_starter_list_is_sound() -> None:
    statements = load_statements(None)
    assert len(statements) == 10
    assert len({statement.measure for statement in statements}) == 10
    sutures = next(statement for statement in statements if statement.measure == "sutures_out_day")
    assert (sutures.between, sutures.low, sutures.high) == ((7.0, 14.0), 0.9, 1.0)


def test_forms(tmp_path: Path) -> None:
    most, about = load_statements(
        _file(
            tmp_path,
            GOOD,
            'name = "b"\nsays = "B"\nmeasure = "next_session_incidence"\nat = "2y"\nabout = 0.3\nmargin = 0.05\n',
        )
    )
    assert (most.low, most.high, most.if_true, most.at_days) == (0.0, 0.02, 0.01, None)
    assert (about.low, about.high, about.if_true, about.at_days) == (0.25, 0.35, 0.3, 730)


def _file(folder: Path, *tables: str) -> Path:
    load(folder, *tables)
    return folder / "expectations.toml"


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (GOOD.replace("infection", "infectoin"), "Did you mean infection"),
        (GOOD.replace("at_most = 0.02", "at_most = 2"), "a share from 0 to 1"),
        (GOOD.replace("at_most = 0.02", "at_most = true"), "a share from 0 to 1"),
        (GOOD.replace("at_most = 0.02", ""), "say exactly one of"),
        (GOOD + "at_least = 0.5\n", "say exactly one of"),
        (GOOD.replace("at_most = 0.02", "about = 0.02"), "say exactly one of"),
        (GOOD.replace("at_most = 0.02", "about = 0.02\nmargin = 0"), "margin must be above 0"),
        (GOOD + 'at = "7d"\n', "infection has no time"),
        (GOOD.replace("infection", "crusts_still"), "crusts_still needs time"),
        (GOOD.replace("infection", "crusts_still") + 'at = "soon"\n', "not a time"),
        (GOOD.replace("infection", "session_length"), "needs range"),
        (GOOD.replace("infection", "session_length") + "between = [5, 3]\n", "must rise"),
        (GOOD.replace("infection", "session_length") + "between = [5]\n", "two numbers"),
        (GOOD + "between = [1, 2]\n", "takes no range"),
        (GOOD + "if_true = 0.5\n", "lies outside"),
        (GOOD + "atmost = 0.5\n", "Did you mean at_most"),
        (GOOD.replace('"a"', '"A B"'), "lower case"),
        (GOOD.replace('"A"', '""'), "says is missing"),
    ],
)
def test_refusals_name_the_statement(tmp_path: Path, table: str, message: str) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        load(tmp_path, table)
    assert message in str(refusal.value)
    assert "row 1" in str(refusal.value)


def test_all_faults_at_once_and_what_does_not_go_together(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        load(tmp_path, GOOD.replace("0.02", "9"), GOOD.replace("infection", "x"))
    assert len(refusal.value.faults) == 2
    with pytest.raises(GraftledgerError, match="stands twice"):
        load(tmp_path, GOOD, GOOD)
    with pytest.raises(GraftledgerError, match="contradict each other"):
        load(tmp_path, GOOD, GOOD.replace('"a"', '"b"').replace("at_most", "at_least").replace("0.02", "0.1"))


@pytest.mark.parametrize("content", ["", "a = 1", "[[expectation]", "expectation = 3", "expectation = []"])
def test_what_is_no_list_of_statements(tmp_path: Path, content: str) -> None:
    path = tmp_path / "expectations.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(GraftledgerError):
        load_statements(path)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(GraftledgerError, match="cannot be read"):
        load_statements(tmp_path / "none.toml")
