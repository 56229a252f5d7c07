"""The page as a document: it asks for nothing, reads in order, and every picture has its words and its table."""

from __future__ import annotations

import itertools
import re
from collections import Counter

import pytest

from reports.audit import AuditDocument

from .reading import Element, read


def test_it_asks_for_nothing_from_outside(document: AuditDocument, page: Element) -> None:
    for element in page.all():
        for name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
            if name in element.attributes:
                assert element.attributes[name].startswith(("#", "data:")), element.attributes[name]
    assert not page.all("script", "iframe", "object", "embed", "form", "img", "base")
    style = "".join(element.text for element in page.all("style"))
    assert "@import" not in style
    assert "url(" not in style
    assert set(re.findall(r"https?://[^\"'<> ]+", document.html)) == {"http://www.w3.org/2000/svg"}


def test_the_browser_is_told_to_let_nothing_in(page: Element) -> None:
    (policy,) = (
        element.attributes["content"]
        for element in page.all("meta")
        if element.attributes.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none'")
    assert "script-src" not in policy


def test_headings_stand_in_order(page: Element) -> None:
    levels = [int(element.tag[1]) for element in page.all("h1", "h2", "h3", "h4", "h5", "h6")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_every_id_is_there_once_and_every_link_leads_somewhere(page: Element) -> None:
    ids = Counter(element.attributes["id"] for element in page.all() if "id" in element.attributes)
    assert [name for name, times in ids.items() if times > 1] == []
    for element in page.all("a"):
        assert element.attributes["href"].removeprefix("#") in ids
    for element in page.all():
        if "aria-labelledby" in element.attributes:
            assert element.attributes["aria-labelledby"] in ids


def test_the_landmarks_and_the_way_past_them(page: Element) -> None:
    (html,) = page.all("html")
    assert html.attributes["lang"] == "en"
    assert len(page.all("main")) == len(page.all("nav")) == 1
    skip = page.all("a")[0]
    assert skip.attributes == {"class": "skip", "href": "#content"}
    assert page.all("main")[0].attributes["id"] == "content"
    assert len(page.all("nav")[0].all("li")) == len(page.all("section"))


def test_every_drawing_has_words_and_is_read_once(page: Element) -> None:
    drawings = [element for element in page.all("div") if element.attributes.get("role") == "img"]
    assert len(drawings) >= 8
    for drawing in drawings:
        assert len(drawing.attributes["aria-label"]) > 60
        assert all(
            child.attributes.get("aria-hidden") == "true" for child in drawing.children if isinstance(child, Element)
        )
    inside = sum(len(drawing.all("svg")) for drawing in drawings)
    assert inside == len(page.all("svg"))


def test_every_table_has_a_caption_and_heads_with_a_scope(page: Element) -> None:
    tables = page.all("table")
    assert len(tables) >= 10
    for found in tables:
        assert len(found.all("caption")) == 1
        assert all(head.attributes["scope"] in ("col", "row", "rowgroup") for head in found.all("th"))
        width = len(found.all("thead")[0].all("th"))
        for row in found.all("tbody")[0].all("tr"):
            assert len(row.all("th", "td")) == width or row.all("th")[0].attributes["scope"] == "rowgroup"


def test_tables_and_figures_are_numbered_in_their_order(page: Element) -> None:
    captions = [element.text for element in page.all("caption")]
    assert [re.match(r"Table (\d+)\.", text)[1] for text in captions] == [  # type: ignore[index]
        str(number) for number in range(1, len(captions) + 1)
    ]
    figures = [element.text for element in page.all("figcaption")]
    assert [text.split(".")[0] for text in figures] == [f"Figure {number}" for number in range(1, len(figures) + 1)]


def test_a_telephone_gets_the_head_of_each_cell(page: Element) -> None:
    for found in page.all("table"):
        heads = [head.text for head in found.all("thead")[0].all("th")]
        for row in found.all("tr"):
            assert [cell.attributes["data-head"] for cell in row.all("td")] == heads[1 : len(row.all("td")) + 1]


def test_it_is_small(document: AuditDocument) -> None:
    assert len(document.html.encode()) < 1_500_000


def test_cautions_stand_in_every_section_that_compares(page: Element) -> None:
    for section in page.all("section"):
        if section.attributes["id"] in ("next-session", "complications", "numbness", "graft-survival"):
            assert any(element.attributes.get("class") == "caution" for element in section.all("p"))


def _luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21. Source: WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_by_hand() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_text_has_contrast(document: AuditDocument, scheme: int) -> None:
    """WCAG 2.2, success criterion 1.4.3, level AA: at least 4.5 for text."""
    style = re.findall(r":root \{(.*?)\}", document.html, re.DOTALL)[scheme]
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", style))
    for text in ("ink", "quiet", "accent"):
        assert contrast(colours[text], colours["paper"]) >= 4.5, text
    for text in ("#1c2126", "#59626a", "#4c545b"):
        assert contrast(text, colours["card"]) >= 4.5, text


def test_reading_back_sees_what_is_not_closed() -> None:
    with pytest.raises(ValueError, match="closed by"):
        read("<p><b>x</p>")
