"""The commands that share and pool counts: what they say, and what they refuse before anything is written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from reports.command_line import app
from tests.small_registry import on, small_registry


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["counts", *map(str, arguments)])


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    """A registry of 20 patients, of whom 5 are women and 4 had a second session."""
    names = [f"p{number}" for number in range(20)]
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name, "sex": "female" if name in names[:5] else "male"} for name in names],
        session=[
            *({"session_key": name, "patient_key": name} for name in names),
            *(
                {"session_key": f"{name}b", "patient_key": name, "session_number": 2, "performed_on": on(500)}
                for name in names[10:14]
            ),
        ],
    ):
        pass
    return empty_registry


def test_counts_leave_and_become_figures(folder: Path, tmp_path: Path) -> None:
    """*By hand*: 4 of 20 had a second session by two years."""
    out, figures = tmp_path / "a.json", tmp_path / "f.json"
    done = run("export", out, "--registry", folder)
    assert done.exit_code == 0, done.output
    assert "no record, key or date" in " ".join(done.output.split())
    assert oct(out.stat().st_mode & 0o777) == "0o600"
    done = run("pool", out, "--out", figures, "--at", "2y")
    assert done.exit_code == 0, done.output
    assert "verdict on a site" in " ".join(done.output.split())
    assert all(len(line) <= 80 for line in done.stderr.splitlines())
    content = json.loads(figures.read_text(encoding="utf-8"))
    (found,) = (one for one in content["figures"] if one["measure"] == "next_session_probability")
    assert (found["n"], found["events"], found["at"]) == (20, 4, 730)
    assert found["estimate"] == pytest.approx(0.2)
    assert content["meta"]["days"] == "months"
    assert content["meta"]["sources"][0]["sites"] == ["A"]


def test_what_was_left_out_is_said(folder: Path, tmp_path: Path) -> None:
    """*By hand*: the 5 women are fewer than 11, the 15 men are not."""
    done = run("export", tmp_path / "a.json", "--by", "sex", "--registry", folder)
    assert "fewer than 11 patients" in done.output
    waits = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))["next_session"]
    assert [wait["group"] for wait in waits] == [["male"]]
    done = run("pool", tmp_path / "a.json", "--out", tmp_path / "f.csv")
    assert "their patients are missing" in " ".join(done.output.split())
    assert (tmp_path / "f.csv").read_text(encoding="utf-8").startswith("measure,group_sex,")


def test_exact_days_are_for_an_agreement(folder: Path, tmp_path: Path) -> None:
    done = run("export", tmp_path / "a.json", "--days", "exact", "--fewest", "1", "--registry", folder)
    assert "Only under an agreement" in " ".join(done.output.split())
    assert "left out" not in done.output.lower()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["export", "a.json", "--by", "shoe"], "cannot be split by 'shoe'"),
        (["export", "a.json", "--by", "surgeon_code"], "at one site only"),
        (["export", "a.json", "--fewest", "0"], "1 or more"),
        (["pool", "none.json", "--out", "f.txt"], ".json or .csv"),
        (["pool", "none.json", "other.json", "--out", "f.json"], "cannot be read"),
        (["pool", "none.json", "--out", "f.json", "--at", "soon"], "not a time"),
    ],
)
def test_refusals(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run(*arguments, *(["--registry", folder] if arguments[0] == "export" else []))
    assert done.exit_code == 1
    assert words in done.output
    assert not list(tmp_path.glob("*.json"))


def test_nothing_is_overwritten(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text("mine", encoding="utf-8")
    done = run("export", tmp_path / "a.json", "--registry", folder)
    assert done.exit_code == 1
    assert (tmp_path / "a.json").read_text(encoding="utf-8") == "mine"
