"""The printed page: nothing of the page is lost, nothing of it is read as markup, and the bytes repeat."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

import pytest

from registry import GraftledgerError
from reports.pdf import _write, pdf_of, write_pdf
from reports.pdf._blocks import blocks_of
from reports.pdf._columns import column_weights
from reports.pdf._tree import read_page

PAGE = """<!doctype html><html lang="en"><head><title>Report – Practice</title><meta name="foot" content="Report, abc">
<style>p { color: red }</style></head><body><a class="skip" href="#content">Skip</a>
<header class="cover"><p class="kind">Kind</p><h1>Name</h1>
<dl class="facts"><div><dt>Quarter</dt><dd>2026-Q3</dd></div><div><dt>Snapshot</dt><dd class="code">ab12</dd></div></dl>
</header><nav><ol><li><a href="#one">One</a></li></ol></nav><main><section id="one"><h2>One</h2><div class="body">
<p><a href="#one">Plain</a> <a href="#nowhere">Plain</a> <a>Plain</a>
<b>bold <em>both</em></b>, <span class="code">code</span>.<br>Next &lt;line&gt; &amp; more</p>
<ul><li>first</li><li>second<ul><li>inner</li></ul></li></ul>
<details><summary>Folded</summary><p>Inside</p></details>
<figure class="chart"><div class="drawing" role="img" aria-label="What it shows"><div class="for-wide">%(svg)s</div>
<div class="for-narrow">%(svg)s</div></div><figcaption><b>Figure 1.</b> Caption</figcaption></figure>
<table class="short"><caption><b>Table 1.</b> Things</caption>
<thead><tr><th>Site</th><th class="words">Word</th><th>Count</th></tr></thead>
<tbody><tr><th colspan="3">Heading</th></tr>
<tr><th><span class="first">A</span> <span class="more">below</span></th>
<td class="words"><span class="cell"><span class="first">x</span></span></td>
<td class="few"><span class="cell"><span class="first">12</span> <span class="more">few</span></span></td></tr>
</tbody></table>
</div></section></main><footer><p>End</p></footer></body></html>"""
SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 50"><text x="5" y="20" font-family="sans-serif">A</text>'
    "</svg>"
)
ODD = [
    "#panic()",
    '#read("/etc/passwd")',
    "$x$ *b* _i_ `c` <label> @ref // note",
    "]#[",
    '"\\u{41}',
    "</script><b>",
    "= Heading",
    "{{ 7 }}",
]


def blocks(html: str) -> list[dict[str, Any]]:
    return blocks_of(read_page(html))


def words_of(block: Any) -> str:
    """All text of blocks, in order. svg: left out."""
    if isinstance(block, list):
        return " ".join(words_of(part) for part in block)
    if isinstance(block, dict):
        if block.get("is") == "text":
            return str(block["text"])
        return " ".join(words_of(part) for part in block.values() if isinstance(part, (dict, list)))
    return ""


def test_every_word_that_is_printed_arrives_once_and_in_order() -> None:
    """By hand."""
    text = re.sub(r"\s+", " ", words_of(blocks(PAGE % {"svg": SVG})))
    expected = (
        "Kind Name Quarter 2026-Q3 Snapshot ab12 One Plain Plain Plain bold both , code . Next <line> & more "
        "first second inner Folded Inside Figure 1. Caption Table 1. Things Site Word Count Heading A below x 12 few "
        "End"
    )
    assert text.split() == expected.split()


def test_kinds_of_blocks() -> None:
    """By hand."""
    found = [block["is"] for block in blocks(PAGE % {"svg": SVG})]
    assert found == [
        "paragraph",
        "heading",
        "terms",
        "heading",
        "paragraph",
        "list",
        "aside",
        "figure",
        "table",
        "paragraph",
    ]
    figure = next(block for block in blocks(PAGE % {"svg": SVG}) if block["is"] == "figure")
    assert [(drawing["words"], drawing["width"]) for drawing in figure["drawings"]] == [("What it shows", 200.0)]


def test_pages_are_tagged_and_the_bytes_repeat(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    html = PAGE % {"svg": SVG}
    first = pdf_of(html)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1")
    assert pdf_of(html).content == first.content
    assert first.is_accessible
    assert b"/StructTreeRoot" in first.content
    assert b"/Outlines" in first.content
    assert b"CreationDate" not in first.content


def test_a_link_leads_to_a_section_that_is_there() -> None:
    content = pdf_of(PAGE % {"svg": SVG}).content
    assert content.count(b"/Subtype/Link") == 1
    assert b"/Dest(one)" in content


def test_paper_sizes() -> None:
    """Published: ISO 216 (A4, 210 x 297 mm) and US Letter (8.5 x 11 in), in points."""
    html = PAGE % {"svg": SVG}
    for paper, expected in (("a4", (595.28, 841.89)), ("letter", (612, 792))):
        box = re.search(rb"MediaBox ?\[0 0 ([0-9.]+) ([0-9.]+)\]", pdf_of(html, paper=paper).content)
        assert box is not None
        assert [float(side) for side in box.groups()] == pytest.approx(expected, abs=0.01)
    with pytest.raises(GraftledgerError, match="'a5' is no paper"):
        pdf_of(html, paper="a5")


@pytest.mark.parametrize("odd", ODD)
def test_what_looks_like_markup_is_printed_as_it_is(odd: str) -> None:
    html = PAGE.replace("second", escape(odd)).replace("What it shows", escape(odd)) % {"svg": SVG}
    assert pdf_of(html).is_accessible
    assert " ".join(odd.split()) in re.sub(r"\s+", " ", words_of(blocks(html)))


def test_a_letter_that_no_font_has_costs_the_standard_and_not_the_page() -> None:
    pdf = pdf_of(PAGE.replace("Inside", "中") % {"svg": SVG})
    assert not pdf.is_accessible
    assert pdf.content.startswith(b"%PDF")


def test_compact_takes_the_largest_type_with_which_all_fits_on_one_page() -> None:
    line = "<p>" + "word " * 60 + "</p>"
    short, long = (PAGE.replace("<p>Inside</p>", line * count) % {"svg": SVG} for count in (3, 200))
    sizes = []
    original = _write._compiled
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_write, "_compiled", lambda content: sizes.append(content["size"]) or original(content))
        pdf_of(short, compact=True)
        pdf_of(long, compact=True)
    assert sizes == [8.5, 7]


def test_a_long_aside_goes_on_over_the_page_and_a_short_one_does_not() -> None:
    """By hand: pages come one by one as lines do, except that a short aside moves on as a whole."""
    counts = []
    with pytest.MonkeyPatch.context() as patch:
        original = _write._compiled

        def counted(content: Mapping[str, Any]) -> object:
            counts.append(_write._page_count(content))
            return original(content)

        patch.setattr(_write, "_compiled", counted)
        for words in (10, 4000):
            aside = f"<aside><p>Comment</p><p>{'word ' * words}</p></aside>"
            pdf_of(PAGE.replace("<p>Inside</p>", aside) % {"svg": SVG})
    assert counts[0] <= 2
    assert counts[1] >= counts[0] + 4  # some 700 words a page, none of them beyond its foot


def test_a_long_word_can_be_broken() -> None:
    """By hand."""
    html = PAGE.replace("second", "x" * 40) % {"svg": SVG}
    assert "x" * 12 + "\u200b" + "x" * 12 in json.dumps(blocks(html), ensure_ascii=False)


def test_columns_of_words_that_must_not_be_broken_get_room() -> None:
    """By hand."""
    weights, letters = column_weights(["A", "Unbreakable"], [[["x"], ["y"]]])
    assert (weights, letters) == ([4.0, 11.0], 12)


def test_a_file_is_never_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "page.pdf"
    write_pdf(PAGE % {"svg": SVG}, target)
    with pytest.raises(GraftledgerError, match="there already"):
        write_pdf(PAGE % {"svg": SVG}, target)
    with pytest.raises(GraftledgerError, match="could not be written"):
        write_pdf(PAGE % {"svg": SVG}, tmp_path / "missing" / "page.pdf")
