"""The page on what graft survival goes with, and the command that writes it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipelines import Figure
from pipelines.next_session_model.preparing import Remark
from registry.store import open_registry, start_registry
from reports.charts.yield_curve import Mark, yield_curve
from reports.command_line import app
from reports.model_graft_survival import FIGURES_FILE, PAGE_FILE, GraftModelDocument, build_graft_model_page
from reports.model_graft_survival._words import remark_words
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry of 1,500 fictional patients."""
    path = tmp_path_factory.mktemp("model") / "registry"
    start_registry(path, list(SITES), list(SURGEONS), "Test practice")
    with open_registry(path, read_only=False) as registry:
        load_frames(registry, dict(simulate(1500, 14).frames))
    return path


@pytest.fixture(scope="module")
def document(folder: Path) -> GraftModelDocument:
    with open_registry(folder) as registry:
        return build_graft_model_page(registry)


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["model", "graft-survival", "--registry", str(folder), *arguments])


def words(html: str) -> str:
    """The text that is read, in one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", " ", html, flags=re.S)))


def test_every_ratio_of_the_figures_stands_on_the_page(document: GraftModelDocument) -> None:
    figures = json.loads(document.figures_json)["figures"]
    text = words(document.html)
    ratios = [each for each in figures if each["measure"] == "graft_growing_odds_ratio"]
    assert len(ratios) > 20
    for each in ratios:
        if each["lower"] > 0.01 and each["upper"] < 9.99:
            assert f"{each['estimate']:.2f}" in text
            assert f"{each['lower']:.2f} to {each['upper']:.2f}" in text


def test_cautions_and_the_answer_on_density_stand_on_the_page(document: GraftModelDocument) -> None:
    text = words(document.html)
    for caution in (
        "yield is not a whole head",
        "Associations, not causes",
        "licensed clinicians",
        "forecast for one patient",
        "No verdict",
        "case-mix",
        "only the two bounds hold",
    ):
        assert caution in text
    bend = document.model.bend
    assert bend is not None
    assert ("Yield falls above about" if bend.found else "No evidence of a bend") in text


def test_sites_are_adjusted_for_and_not_told_apart(folder: Path, document: GraftModelDocument) -> None:
    """Of what goes with growing. Who was counted stands by site elsewhere on the page, with its caution."""
    assert "site_code" in {one.name for one in document.model.used}
    assert not any(figure.group.get("covariate") == "site_code" for figure in document.model.figures)
    of_ratios = words(document.html).split("How patients differ")[0]
    assert not [site for site in SITES if re.search(rf"\b{site}\b", of_ratios, re.IGNORECASE)]
    assert "would be read as a ranking" in words(document.html)


def test_nothing_is_not_a_number_and_nothing_is_asked_for_from_outside(document: GraftModelDocument) -> None:
    assert not re.search(r"\b(nan|inf|NaN)\b", words(document.html))
    assert not re.search(r">\s*None\s*<", document.html)
    assert not re.search(r"""(src|href)=["']https?:""", document.html)
    assert "<script" not in document.html


def test_every_drawing_has_words(document: GraftModelDocument) -> None:
    drawings = re.findall(r'<div class="drawing" role="img" aria-label="([^"]*)"', document.html)
    assert len(drawings) == 4
    assert all(len(each) > 80 for each in drawings)


def test_command_writes_the_same_page_and_keeps_to_80_columns(
    folder: Path, document: GraftModelDocument, tmp_path: Path
) -> None:
    result = run(folder, "--out", str(tmp_path / "out"))
    assert result.exit_code == 0, result.output
    assert (tmp_path / "out" / PAGE_FILE).read_text(encoding="utf-8") == document.html
    assert (tmp_path / "out" / FIGURES_FILE).exists()
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    said = " ".join(result.output.split())
    assert "yield is not a whole head's" in said
    assert "no verdict" in said


def test_what_does_not_go_together_is_refused(folder: Path) -> None:
    result = run(folder, "--recurrent")
    assert result.exit_code != 0
    assert "--recurrent goes with next-session only" in result.stderr


def test_too_few_counts_are_told_in_plain_words(empty_registry: Path) -> None:
    result = run(empty_registry)
    assert result.exit_code != 0
    assert "at least 40" in " ".join(result.stderr.split())
    assert "Traceback" not in result.output


def test_curve_draws_its_mark_and_the_areas() -> None:
    figure = Figure("m", 9, "areas", "m", estimate=0.9, lower=0.88, upper=0.92)
    drawing = yield_curve(
        [(20.0, figure), (40.0, figure)], [(10.0, 3), (30.0, 9)], "c", "Density", mark=Mark(30, 25, 35)
    )
    assert "90%" in drawing.svg
    assert "areas counted" in drawing.svg


@pytest.mark.parametrize(
    ("remark", "text"),
    [
        (Remark("pooled", "zone", ("vertex", "temples"), 9), "Vertex (crown) and Temples stand together (9 areas)"),
        (Remark("pooled", "site_code", ("A", "B"), 9), "small sites stand together (9 areas)"),
        (Remark("mostly_missing", "smoking", n=1), "not known for 1 area"),
        (Remark("straight", "grafts_total", n=3), "Size of the session enters as a straight line"),
        (Remark("one_value", "method", n=3), "Method of counting is left out"),
    ],
)
def test_what_was_done_is_told(remark: Remark, text: str) -> None:
    assert text in remark_words(remark)
