"""Every kind of page that a report can be, in a browser: axe-core finds no serious or critical fault.

What a rule means and how grave it is, axe-core says (other software; WCAG 2.0 to 2.2 A and AA and its own practices).
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from typer.testing import CliRunner

from reports.command_line import app

pytestmark = pytest.mark.slow

GRAVE = ("serious", "critical")
PAGES = (
    "demo/audit/audit.html",
    "demo/intakes/1/intake.html",
    "diff.html",
    "benchmark/benchmark.html",
    "sheet/consultation_sheet.html",
    "next/model_next_session.html",
    "grafts/model_graft_survival.html",
    "complications/model_complications.html",
    "export/dictionary.html",
    "table_1.html",
)
SIZES = ((1280, "light"), (390, "light"), (1280, "dark"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a page of every kind, of one fictional practice."""
    folder = tmp_path_factory.mktemp("pages")
    registry = folder / "demo" / "registry"

    def run(*arguments: object) -> str:
        result = CliRunner().invoke(app, [str(argument) for argument in arguments])
        assert result.exit_code == 0, result.output
        return result.stdout

    def of_registry(*arguments: object) -> str:
        return run(*arguments, "--registry", registry)

    run("demo", folder / "demo", "--patients", 900)
    of_registry("audit", "2026-Q2", "--out", folder / "before")
    run("audit-diff", folder / "before", folder / "demo" / "audit", "--out", folder / "diff.html")
    of_registry("benchmark", "S05", "--quarter", "2026-Q3", "--out", folder / "benchmark")
    person = ("--age", 42, "--sex", "male", "--technique", "strip", "--grafts", 2200)
    of_registry("consultation-sheet", *person, "--out", folder / "sheet")
    of_registry("model", "next-session", "--out", folder / "next")
    of_registry("model", "graft-survival", "--out", folder / "grafts")
    of_registry("model", "complications", "--of", "folliculitis", "--out", folder / "complications")
    of_registry("cohort", "define", "strips", "--where", "technique=strip", "--first-here")
    of_registry("export", "strips", "--level", "limited", "--formats", "csv", "--out", folder / "export")
    table = of_registry("cohort", "table-1", "strips", "--by", "sex", "--format", "html")
    (folder / "table_1.html").write_text(table, encoding="utf-8")
    return folder


def faults(browser: Browser, page: str | Path, width: int, scheme: str) -> list[str]:
    """What axe-core finds grave in a page, by its text or its file; all that can be unfolded is unfolded first."""
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
    shown = context.new_page()
    if isinstance(page, Path):
        shown.goto(page.as_uri())
    else:
        shown.set_content(page)
    shown.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    shown.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    found = shown.evaluate("axe.run(document)")
    context.close()
    assert found["passes"]
    return [
        f"{fault['id']} ({fault['impact']}): {fault['nodes'][0]['html'][:200]}"
        for fault in found["violations"]
        if fault["impact"] in GRAVE
    ]


def test_a_page_with_a_fault_is_told(chromium: Browser) -> None:
    """*By hand*: a picture without words, on a page without a language, in letters too pale to read."""
    bad = "<title>x</title><img src='data:,'><p style='color: #ccc; background: #fff'>pale</p>"
    assert {fault.split()[0] for fault in faults(chromium, bad, 1280, "light")} == {
        "color-contrast",
        "html-has-lang",
        "image-alt",
    }


@pytest.mark.parametrize(("width", "scheme"), SIZES)
@pytest.mark.parametrize("page", PAGES)
def test_no_grave_fault(pages: Path, chromium: Browser, page: str, width: int, scheme: str) -> None:
    assert faults(chromium, pages / page, width, scheme) == []


def test_no_kind_of_page_is_left_out(pages: Path) -> None:
    """A page is made for every kind: those in the folder that are not looked at are of a kind that is."""
    looked_at = {Path(page).name for page in PAGES}
    assert {path.name for path in pages.rglob("*.html")} == looked_at
