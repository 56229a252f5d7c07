"""The page as a document: it asks for nothing, reads in order, and every picture has its words and its table."""

from __future__ import annotations

import itertools
import re

from reports.intake_report import IntakeReportDocument
from tests.reports.audit.reading import Element


def test_it_asks_for_nothing_from_outside(document: IntakeReportDocument, page: Element) -> None:
    assert not page.all("script", "iframe", "object", "embed", "form", "img", "base")
    assert set(re.findall(r"https?://[^\"'<> ]+", document.html)) == {"http://www.w3.org/2000/svg"}
    assert all(element.attributes["href"].startswith(("#", "data:")) for element in page.all("a", "link"))
    assert len(document.html.encode()) < 500_000


def test_headings_stand_in_order(page: Element) -> None:
    levels = [int(element.tag[1]) for element in page.all("h1", "h2", "h3", "h4")]
    assert (levels[0], levels.count(1), levels.count(2)) == (1, 1, 6)
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_the_questions_stand_in_their_order(page: Element) -> None:
    assert [element.attributes["id"] for element in page.all("section")] == [
        "came-in",
        "to-do",
        "warned",
        "came-back",
        "trend",
        "provenance",
    ]


def test_every_link_leads_somewhere(page: Element) -> None:
    ids = [element.attributes["id"] for element in page.all() if "id" in element.attributes]
    assert len(ids) == len(set(ids))
    assert all(element.attributes["href"].removeprefix("#") in ids for element in page.all("a"))


def test_every_drawing_has_words(page: Element) -> None:
    drawings = [element for element in page.all("div") if element.attributes.get("role") == "img"]
    assert len(drawings) == 2
    assert "intake 2: 75.0% (95% interval 30.1% to 95.4%), too few" in drawings[0].attributes["aria-label"]
    assert sum(len(drawing.all("svg")) for drawing in drawings) == len(page.all("svg"))


def test_every_table_has_a_caption_and_heads_with_a_scope(page: Element) -> None:
    tables = page.all("table")
    assert len(tables) == 5
    for found in tables:
        assert len(found.all("caption")) == 1
        assert all(head.attributes["scope"] in ("col", "row", "rowgroup") for head in found.all("th"))


def test_a_hostile_name_of_the_practice_is_only_text(document: IntakeReportDocument, page: Element) -> None:
    assert "Practice <of> tests" not in document.html
    assert "Practice <of> tests" in page.text
