"""The `expectations` command: words, JSON, the starter list, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipelines.expectations import judge_all, judge_over_years, load_statements
from registry.store import open_registry
from reports.command_line import app
from reports.expectations_table import expectations_table
from tests.small_registry import on, small_registry


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    """A hundred sessions seen on day 7, two of them with bruised eyes."""
    names = [f"p{number}" for number in range(100)]
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name} for name in names],
        session=[{"session_key": name, "patient_key": name} for name in names],
        visit=[
            {"session_key": name, "visited_on": on(7), "periorbital_bruising_since_last": name in ("p1", "p2")}
            for name in names
        ],
    ):
        pass
    return empty_registry


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["expectations", *arguments, "--registry", str(folder)])


def test_the_starter_list_is_used_and_said_to_be(folder: Path) -> None:
    result = run(folder)
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    # by hand: 2 of 100, 90 % interval 0.7 to 5.7: neither below 1 % nor above it
    assert "CANNOT TELL YET: 2.0%" in words
    assert "common practice, no source" in words
    assert "one may be misjudged by chance" in " ".join(result.stderr.split())
    assert max(len(line) for line in result.output.splitlines()) <= 80


def test_a_list_of_the_registry_is_taken_and_json_carries_the_figure(folder: Path) -> None:
    (folder / "expectations.toml").write_text(
        '[[expectation]]\nname = "bruises"\nsays = "Fewer than 1 in 10."\nmeasure = "bruised_eyes"\nat_most = 0.1\n',
        encoding="utf-8",
    )
    content = json.loads(run(folder, "--format", "json").stdout)
    (found,) = content["expectations"]
    assert (found["verdict"], found["figure"]["n"], found["figure"]["events"]) == ("supported", 100, 2)
    assert found["figure"]["level"] == 0.9


def test_the_starter_list_can_be_copied(folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "own.toml"
    copy.write_text(run(folder, "--starter").stdout, encoding="utf-8")
    assert run(folder, "--file", str(copy)).exit_code == 0


def test_how_it_stood_in_earlier_years(folder: Path) -> None:
    """*By hand*: on the day of surgery nobody was seen yet, a year later all were."""
    lines = run(folder, "--over-years", "10").stdout.splitlines()
    assert any(line.startswith("    2010-01-01: cannot tell yet, 0 sessions, too few.") for line in lines)
    assert sum(line.startswith("    2011-01-01: cannot tell yet, 2.0% (0.7% to 5.9%)") for line in lines) == 1
    rows = json.loads(run(folder, "--over-years", "1", "--format", "json").stdout)["expectations"]
    assert [row.get("as_of") for row in rows if row["name"] == "bruised_eyes_are_rare"] == [None, "2019-01-01"]


def test_a_table_tells_which_verdicts_changed(folder: Path) -> None:
    statements = load_statements(None)
    with open_registry(folder) as registry:
        then, now = judge_over_years(registry, statements, 10)[on(0)], judge_all(registry, statements)
    table = expectations_table(now, then, own=False, day=on(0))
    bruised = next(row for row in table.rows if "bruised" in row.head)
    assert [cell.text for cell in bruised.cells] == [
        "Cannot tell yet",
        "2.0% (0.7% to 5.9%) of 100 sessions",
        "The same",
    ]
    assert table.heads[-1] == "On 1 January 2010"
    assert "common practice, no source" in table.notes[0]


def test_by_surgeon_it_is_no_verdict_on_anybody(folder: Path) -> None:
    result = run(folder, "--by", "surgeon_code")
    assert "not a verdict" in " ".join(result.stderr.split())


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--file", "none.toml"], "cannot be read"),
        (["--by", "surgeon"], "Did you mean surgeon_code"),
        (["--over-years", "2", "--by", "technique"], "neither with --by"),
        (["--over-years", "-1"], "takes 0 to"),
    ],
)
def test_refusals(folder: Path, arguments: list[str], message: str) -> None:
    result = run(folder, *arguments)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr
