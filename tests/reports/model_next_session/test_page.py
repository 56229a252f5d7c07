"""The page on who has a next session sooner, and the command that writes it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipelines.next_session_model.preparing import Remark
from registry.store import open_registry, start_registry
from reports.command_line import app
from reports.model_next_session import FIGURES_FILE, PAGE_FILE, ModelDocument, build_model_page
from reports.model_next_session._sections.ratios import remark_words
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry of 2,000 fictional patients."""
    path = tmp_path_factory.mktemp("model") / "registry"
    start_registry(path, list(SITES), list(SURGEONS), "Test practice")
    with open_registry(path, read_only=False) as registry:
        load_frames(registry, dict(simulate(2000, 12).frames))
    return path


@pytest.fixture(scope="module")
def document(folder: Path) -> Iterator[ModelDocument]:
    with open_registry(folder) as registry:
        yield build_model_page(registry, recurrent=True)


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["model", "next-session", "--registry", str(folder), *arguments])


def words(html: str) -> str:
    """The text that is read, in one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", " ", html, flags=re.S)))


def test_every_ratio_of_the_figures_stands_on_the_page(document: ModelDocument) -> None:
    figures = json.loads(document.figures_json)["figures"]
    text = words(document.html)
    ratios = [each for each in figures if each["measure"] == "next_session_hazard_ratio"]
    assert len(ratios) > 60
    for each in ratios:
        if each["group"]["analysis"] != "curve" and each["lower"] > 0.01 and each["upper"] < 9.99:
            assert f"{each['estimate']:.2f}" in text
            assert f"{each['lower']:.2f} to {each['upper']:.2f}" in text


def test_cautions_stand_on_the_page(document: ModelDocument) -> None:
    text = words(document.html)
    for caution in (
        "associations, not causes",
        "marks who was treated",
        "licensed clinician",
        "nothing here is a forecast for one patient",
        "No record can show that",
    ):
        assert caution in text


def test_nothing_is_not_a_number_and_nothing_is_asked_for_from_outside(document: ModelDocument) -> None:
    assert not re.search(r"\b(nan|inf|NaN)\b", words(document.html))
    assert not re.search(r">\s*None\s*<", document.html)
    assert "NaN" not in document.figures_json
    assert not re.search(r"""(src|href)=["']https?:""", document.html)
    assert "<script" not in document.html


def test_every_drawing_has_words_and_numbers_run_on(document: ModelDocument) -> None:
    drawings = re.findall(r'<div class="drawing" role="img" aria-label="([^"]*)"', document.html)
    assert len(drawings) == 3
    assert all(len(label) > 80 for label in drawings)
    numbers = [int(number) for number in re.findall(r"<b>Table (\d+)\.</b>", document.html)]
    assert numbers == list(range(1, len(numbers) + 1))


def test_missing_counts_stand_by_covariate(document: ModelDocument) -> None:
    text = words(document.html)
    for each in json.loads(document.figures_json)["figures"]:
        if each["measure"] == "next_session_covariate_missing":
            assert f"{each['n']:,}" in text
            assert f"{each['events']:,}" in text


def test_the_same_records_give_the_same_bytes(folder: Path, document: ModelDocument) -> None:
    with open_registry(folder) as registry:
        again = build_model_page(registry, recurrent=True)
    assert again.html == document.html
    assert again.figures_json == document.figures_json


def test_few_patients_give_a_page_that_says_so(tmp_path: Path) -> None:
    start_registry(tmp_path / "registry", list(SITES), list(SURGEONS), "Test practice")
    with open_registry(tmp_path / "registry", read_only=False) as registry:
        load_frames(registry, dict(simulate(500, 12).frames))
    with open_registry(tmp_path / "registry") as registry:
        document = build_model_page(registry, recurrent=True)
    text = words(document.html)
    assert 0 < document.model.complete < document.model.spells
    assert f"Only {document.model.complete} patients of {document.model.spells} have no gap" in text
    assert "fewer than ten each. The ratios are unsteady" in text


def test_every_remark_has_words() -> None:
    for kind in ("pooled", "level_left_out", "mostly_missing", "one_value", "no_estimate", "straight"):
        text = remark_words(Remark(kind, "hair_curl", ("curly", "coiled"), 12))  # type: ignore[arg-type]
        assert text.startswith("Hair curl")
        assert text.endswith(".")


def test_the_command_prints_a_table_of_80_columns_and_writes_both_files(folder: Path, tmp_path: Path) -> None:
    result = run(folder, "--out", str(tmp_path / "out"))
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert "Age at first surgery, against" in result.stdout
    assert re.search(r"^  Female +\d+\.\d\d \(\d+\.\d\d to \d+\.\d\d\)", result.stdout, re.M)
    assert "associations among past patients, not causes" in re.sub(r"\s+", " ", result.stderr)
    content = json.loads((tmp_path / "out" / FIGURES_FILE).read_text(encoding="utf-8"))
    assert content["meta"]["report"] == "model next-session"
    assert "Every session" not in (tmp_path / "out" / PAGE_FILE).read_text(encoding="utf-8")


def test_an_earlier_page_is_not_overwritten_unasked(folder: Path, tmp_path: Path) -> None:
    (tmp_path / PAGE_FILE).write_text("mine", encoding="utf-8")
    refused = run(folder, "--out", str(tmp_path))
    assert refused.exit_code == 1
    assert "would be overwritten" in refused.stderr
    assert (tmp_path / PAGE_FILE).read_text(encoding="utf-8") == "mine"
    assert run(folder, "--out", str(tmp_path), "--replace").exit_code == 0


def test_too_few_next_sessions_are_refused_and_nothing_is_written(empty_registry: Path, tmp_path: Path) -> None:
    refused = run(empty_registry, "--out", str(tmp_path / "out"))
    assert refused.exit_code == 1
    assert refused.stderr.startswith("0 next session(s) were seen")
    assert not (tmp_path / "out").exists()


def test_an_unknown_model_is_refused(folder: Path) -> None:
    result = CliRunner().invoke(app, ["model", "hair-colour", "--registry", str(folder)])
    assert result.exit_code == 2
