"""The chart of the time to the next session as a file of its own."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner, Result

from pipelines.figure import Figure
from registry import durations
from registry.errors import GraftledgerError
from reports.charts import Curve
from reports.charts.survival_curves import censor_marks
from reports.charts.theme import BLUE
from reports.command_line import app
from reports.next_session_chart import AT_DAYS, next_session_chart
from tests.small_registry import on, small_registry

SVG = "{http://www.w3.org/2000/svg}"
META = {
    "estimand": "here",
    "floors": {"at_risk": 10},
    "data_date": "2020-01-01",
    "snapshot": "0123",
    "by": [],
}


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    """Thirty patients by two techniques, one in five with a next session."""
    names = [f"p{number}" for number in range(30)]
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name} for name in names],
        session=[
            *(
                {"session_key": name, "patient_key": name, "technique": "strip" if place % 2 else "combined"}
                for place, name in enumerate(names)
            ),
            *(
                {"session_key": f"{name}b", "patient_key": name, "session_number": 2, "performed_on": on(90 * place)}
                for place, name in enumerate(names)
                if place % 5 == 1
            ),
        ],
    ):
        pass
    return empty_registry


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["figures", "time-to-next-session", *arguments, "--registry", str(folder)])


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()) for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def test_svg_says_what_it_shows(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "chart.svg"
    result = run(folder, "--by", "technique", "--where", "technique=strip,combined", "--chart", str(file))
    assert result.exit_code == 0, result.output
    words = texts(file.read_text(encoding="utf-8"))
    assert "Share with a next session here, by technique" in words
    assert {"Strip harvest", "Both in one session", "At risk"} <= set(words)
    note = " ".join(words)
    assert "Only sessions with technique Strip harvest or Both in one session." in note
    assert "No forecast for one person" in note
    assert "A tick on a curve" in note


def test_png_and_no_overwriting(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "chart.png"
    assert run(folder, "--competing", "reason", "--chart", str(file)).exit_code == 0
    content = file.read_bytes()
    assert content.startswith(b"\x89PNG")
    again = run(folder, "--chart", str(file))
    assert (again.exit_code, again.stdout) == (1, "")
    assert "there already" in again.stderr
    assert file.read_bytes() == content


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--chart", "chart.pdf"], ".svg or .png"),
        (["--chart", "chart.svg", "--sensitivity"], "--chart draws curves"),
        (["--chart", "nowhere/chart.svg"], "could not be written (no such file or directory)"),
        (["--chart", "chart.svg", "--since", "2030-01-01"], "Nobody was followed"),
    ],
)
def test_refusals(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(folder.absolute(), *arguments)
    assert result.exit_code == 1
    assert message in " ".join(result.stderr.split())
    assert not (tmp_path / "chart.svg").exists()


def test_too_many_curves_are_refused() -> None:
    figures = [
        Figure("next_session_probability", 40, "patients", "km", group={"g": str(g)}, at=0, estimate=0.0, at_risk=40)
        for g in range(7)
    ]
    with pytest.raises(GraftledgerError, match="7 curves cannot be told apart"):
        next_session_chart(figures, META)


def test_marks_stand_where_another_twentieth_has_left() -> None:
    """*By hand*: of 40, two leave by month 1, none by month 2, five (one with the event) by month 3."""
    read = [(0, 40, 0), (1, 38, 0), (2, 38, 0), (3, 33, 1)]
    figures = [
        Figure("m", 40, "patients", "km", at=durations.months(month), estimate=0.1, at_risk=left, events=events)
        for month, left, events in read
    ]
    marks = list(censor_marks(Curve("all", figures, BLUE)))
    assert [round(mark["year"] * 12) for mark in marks] == [1, 3]


def test_curves_are_read_no_more_often_than_each_month() -> None:
    assert AT_DAYS[:3] == (0, 30, 60)
    assert len(AT_DAYS) < 200
