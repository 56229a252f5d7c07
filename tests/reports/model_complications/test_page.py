"""The pages on complications, scar width and satisfaction, and the command that writes them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from pipelines.figure import Figure
from pipelines.next_session_model.preparing import Remark
from registry.store import open_registry, start_registry
from reports.command_line import app
from reports.model_complications import SessionModelDocument, build_session_model_page
from reports.model_complications._data import SCAR
from reports.model_complications._sections.in_short import is_clear
from reports.model_complications._words import remark_words, signed
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

PAGES = (("complications", "folliculitis"), ("scar-width", None), ("satisfaction", None))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry of 600 fictional patients."""
    path = tmp_path_factory.mktemp("model") / "registry"
    start_registry(path, list(SITES), list(SURGEONS), "Test practice")
    with open_registry(path, read_only=False) as registry:
        load_frames(registry, dict(simulate(600, 48).frames))
    return path


@pytest.fixture(scope="module")
def documents(folder: Path) -> dict[str, SessionModelDocument]:
    with open_registry(folder) as registry:
        return {name: build_session_model_page(registry, name, of) for name, of in PAGES}


@pytest.fixture(params=[name for name, _ in PAGES])
def document(request: Any, documents: dict[str, SessionModelDocument]) -> SessionModelDocument:
    return documents[request.param]


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["model", *arguments, "--registry", str(folder)])


def words(html: str) -> str:
    """The text that is read, in one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", " ", html, flags=re.S)))


def test_every_effect_of_the_figures_stands_on_the_page(document: SessionModelDocument) -> None:
    text, shown = words(document.html), 0
    measures = {measure.name: measure for measure in document.data.kind.measures}
    for figure in document.data.model.figures:
        if figure.measure not in measures:
            continue
        shown += 1
        measure = measures[figure.measure]
        estimate, _, limits = measure.words(figure).partition(" (")
        assert estimate in text
        assert limits.rstrip(")") in text
    assert shown == len(measures) * sum(
        len(document.data.effects(document.data.main, a)) for _, a in document.data.analyses
    )
    assert shown > 5


def test_cautions_and_who_stand_on_the_page(document: SessionModelDocument) -> None:
    text = words(document.html)
    for caution in (
        "associations among past patients, not causes",
        "Whoever takes the harder cases",
        "Not a verdict on a surgeon",
        "licensed clinician",
        "No record can show that",
        "nothing here is a forecast for one patient",
    ):
        assert caution in text
    assert f"{document.data.model.patients:,} patients" in text


def test_nothing_is_not_a_number_and_nothing_is_asked_for_from_outside(document: SessionModelDocument) -> None:
    assert not re.search(r"\b(nan|inf|NaN)\b", words(document.html))
    assert not re.search(r">\s*None\s*<", document.html)
    assert "NaN" not in document.figures_json
    assert not re.search(r"""(src|href)=["']https?:""", document.html)
    assert "<script" not in document.html


def test_every_drawing_has_words_and_numbers_run_on(document: SessionModelDocument) -> None:
    drawings = re.findall(r'<div class="drawing" role="img" aria-label="([^"]*)"', document.html)
    assert len(drawings) == 1
    assert all(len(label) > 80 for label in drawings)
    numbers = [int(number) for number in re.findall(r"<b>Table (\d+)\.</b>", document.html)]
    assert numbers == list(range(1, len(numbers) + 1))


def test_sites_and_surgeons_are_not_named(document: SessionModelDocument) -> None:
    assert not re.search(r"Site [A-Z]\b", words(document.html))
    assert "site_code" not in document.figures_json
    assert "surgeon_code" not in document.figures_json


def test_rare_and_penalised_is_said(documents: dict[str, SessionModelDocument]) -> None:
    document = documents["complications"]
    assert document.data.model.firth
    text = words(document.html)
    assert "Firth’s penalty" in text
    assert re.search("[Pp]er (100|1,000) sessions|[Pp]er (100|1,000), gaps filled in", text)
    assert "Errors that take the patient’s sessions together are at most" in text


def test_the_assumption_of_satisfaction_is_checked_and_said(documents: dict[str, SessionModelDocument]) -> None:
    text = words(documents["satisfaction"].html)
    assert "The model takes each odds ratio as the same wherever the line" in text
    assert "Mean satisfaction as it was seen" in text


def test_the_same_records_give_the_same_bytes(folder: Path, documents: dict[str, SessionModelDocument]) -> None:
    with open_registry(folder) as registry:
        again = build_session_model_page(registry, "scar-width")
    assert again.html == documents["scar-width"].html
    assert again.figures_json == documents["scar-width"].figures_json


@pytest.mark.parametrize(("name", "of"), PAGES)
def test_the_command_prints_80_columns_and_writes_both_files(
    folder: Path, tmp_path: Path, name: str, of: str | None
) -> None:
    result = run(folder, name, *(["--of", of] if of else []), "--out", str(tmp_path / "out"))
    assert result.exit_code == 0, result.output
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert re.search(r"^  Strip, trichophytic closure +\S+ \(", result.stdout, re.M)
    assert "no verdict" in re.sub(r"\s+", " ", result.stderr)
    content = json.loads((tmp_path / "out" / "figures.json").read_text(encoding="utf-8"))
    assert content["meta"]["report"] == f"model {name}"
    assert content["meta"].get("outcome") == of
    assert (tmp_path / "out" / f"model_{name.replace('-', '_')}.html").exists()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("complications",), r"^Say of which complication with --of: severe-swelling, .* or numbness"),
        (("complications", "--of", "infektion"), r"^There is no model of 'infektion'. Did you mean infection\?"),
        (("scar-width", "--of", "infection"), r"^--of goes with complications only"),
        (("complications", "--of", "infection"), r"^Infection: 0 of 0 session\(s\) assessed had it"),
        (("scar-width",), r"^scars measured of 0 patient\(s\) are there"),
        (("satisfaction",), r"^ratings of satisfaction of 0 patient\(s\) are there"),
    ],
)
def test_refusals_are_plain_and_nothing_is_written(
    empty_registry: Path, tmp_path: Path, arguments: tuple[str, ...], message: str
) -> None:
    refused = run(empty_registry, *arguments, "--out", str(tmp_path / "out"))
    assert refused.exit_code == 1
    assert re.search(message, refused.stderr)
    assert not (tmp_path / "out").exists()


def test_every_remark_has_words() -> None:
    for kind in ("pooled", "level_left_out", "mostly_missing", "one_value", "no_estimate"):
        for covariate in ("smoking", "site_code"):
            levels = ("former", "current") if covariate == "smoking" else ("A", "B")
            text = remark_words(Remark(kind, covariate, levels, 12), "session", of_events=True)  # type: ignore[arg-type]
            assert text.startswith(("Smoking", "Site"))
            assert text.endswith(".")
            assert "Site A" not in text


def test_a_difference_of_nothing_has_no_sign() -> None:
    assert [signed(value, 1) for value in (0.0, -0.0, 0.049, -0.049)] == ["0.0"] * 4


def test_what_is_clear() -> None:
    """By hand: an interval that leaves out no difference, unless it rests on too few or tells of the unknown."""
    ratio = SCAR.measures[0]

    def clear(lower: float, upper: float, level: str = "strip_trichophytic", *flags: str) -> bool:
        group = {"covariate": "harvest", "level": level}
        return is_clear(
            ratio, Figure("m", 9, "sessions", "x", group=group, estimate=0.5, lower=lower, upper=upper, flags=flags)
        )

    assert clear(0.1, 0.9)
    assert not clear(-0.1, 0.9)
    assert not clear(0.1, 0.9, "strip_trichophytic", "too_few")
    assert not clear(0.1, 0.9, "strip_closure_unknown")
