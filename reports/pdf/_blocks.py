"""From the tree of a page to plain data: headings, paragraphs, lists, tables and figures, for the printed layout.

Nothing of a page becomes markup of the printed layout. Words travel as data to the end, so that a code or a comment
that looks like markup is printed as it was written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

from ._columns import column_weights
from ._tree import Element

Block = dict[str, Any]
Inline = dict[str, Any]

_SPACE = re.compile(r"\s+")
_VIEW_BOX = re.compile(r'viewBox="[0-9.-]+ [0-9.-]+ ([0-9.]+) [0-9.]+"')
_LONG_WORD = re.compile(r"\S{31,}")
_NOT_PRINTED_TAGS = frozenset({"script", "style", "nav", "title", "head", "button", "input"})
_NOT_PRINTED_CLASSES = frozenset({"skip", "for-narrow", "screen-only"})
_INLINE = {
    "b": "bold",
    "strong": "bold",
    "em": "italic",
    "i": "italic",
    "code": "code",
    "a": "link",
    "span": "plain",
    "br": "break",
}
_HEADINGS = {"h1": 0, "h2": 1, "h3": 2, "h4": 3}
_STYLES = ("kind", "practice", "standing", "caution", "note", "steps", "alert", "by", "none")


def blocks_of(page: Element) -> list[Block]:
    """Everything that a page prints, in its order."""
    blocks = list(_blocks(page.children, ""))
    _name_headings(page, [block for block in blocks if block["is"] == "heading"])
    return blocks


def _name_headings(page: Element, headings: list[Block]) -> None:
    """Each section's name goes to its heading, so that links within the page lead there."""
    sections = [(section.attributes.get("id", ""), _flat(next(section.all("h2")))) for section in page.all("section")]
    for heading in headings:
        heading["id"] = sections.pop(0)[0] if sections and sections[0][1] == heading["text"] else ""


def _blocks(children: Iterable[Element | str], style: str) -> Iterator[Block]:
    """Blocks as they are; words between them gathered into paragraphs."""
    run: list[Element | str] = []
    for child in children:
        if isinstance(child, str) or child.tag in _INLINE:
            run.append(child)
            continue
        yield from _paragraph(run, style)
        run = []
        if child.tag not in _NOT_PRINTED_TAGS and not child.classes & _NOT_PRINTED_CLASSES:
            yield from _block(child, style)
    yield from _paragraph(run, style)


def _block(element: Element, outer_style: str) -> Iterator[Block]:
    style = next((name for name in _STYLES if name in element.classes), outer_style)
    tag = element.tag
    if tag in _HEADINGS:
        yield {"is": "heading", "level": _HEADINGS[tag], "words": _inline(element.children), "text": _flat(element)}
    elif tag == "p" and "panel-title" not in element.classes:
        yield from _paragraph(element.children, style)
    elif tag in ("ul", "ol"):
        items = [list(_blocks(item.children, "")) for item in element.elements if item.tag == "li"]
        yield {"is": "list", "numbered": tag == "ol", "style": style, "items": items}
    elif tag == "dl":
        yield {"is": "terms", "style": "facts" if "facts" in element.classes else "", "items": _terms(element)}
    elif tag == "table":
        yield _table(element)
    elif tag == "figure" or element.classes & {"grid", "drawing"}:
        yield from _figure(element)
    elif tag == "pre":
        yield {"is": "code", "text": element.text.strip("\n")}
    elif tag == "summary":
        yield {"is": "paragraph", "style": "summary", "words": _inline(element.children)}
    elif tag == "hr":
        yield {"is": "rule"}
    elif tag == "footer":
        yield from _blocks(element.children, "note")
    elif tag in ("details", "aside", "blockquote"):
        yield {"is": "aside", "style": tag, "blocks": list(_blocks(element.children, ""))}
    else:
        yield from _blocks(element.children, style)


def _paragraph(children: Iterable[Element | str], style: str) -> Iterator[Block]:
    words = _inline(children)
    if words:
        yield {"is": "paragraph", "style": style, "words": words}


def _inline(children: Iterable[Element | str]) -> list[Inline]:
    """Words with their marks; white space as a browser shows it."""
    words = list(_marked(children))
    while words and words[0].get("text") == " ":
        del words[0]
    while words and words[-1].get("text") == " ":
        del words[-1]
    return words


def _marked(children: Iterable[Element | str]) -> Iterator[Inline]:
    for child in children:
        if isinstance(child, str):
            text = _SPACE.sub(" ", child)
            if text:
                yield {"is": "text", "text": _breakable(text)}
            continue
        if child.tag in _NOT_PRINTED_TAGS or child.classes & _NOT_PRINTED_CLASSES:
            continue
        mark = "code" if "code" in child.classes else _INLINE.get(child.tag, "plain")
        if mark == "break":
            yield {"is": "break"}
        elif mark == "plain":
            yield from _marked(child.children)
        else:
            within = list(_marked(child.children))
            if within:
                yield {"is": mark, "words": within, "to": child.attributes.get("href", "")}


def _breakable(text: str) -> str:
    """Places at which a word that is longer than a line may be broken."""
    return _LONG_WORD.sub(lambda word: "\u200b".join(re.findall(r"\S{1,12}", word[0])), text)


def _flat(element: Element) -> str:
    return _SPACE.sub(" ", element.text).strip()


def _terms(element: Element) -> list[dict[str, Any]]:
    """Words and what they mean; a `div` around a pair is looked into."""
    items: list[dict[str, Any]] = []
    for child in element.elements:
        if child.tag == "div":
            items += _terms(child)
        elif child.tag == "dt":
            items.append({"term": _inline(child.children), "blocks": []})
        elif child.tag == "dd" and items:
            code = "code" if "code" in child.classes else ""
            items[-1]["blocks"] += list(_blocks(child.children, code))
    return items


def _figure(element: Element) -> Iterator[Block]:
    drawings = list(_drawings(element))
    caption = next((_inline(found.children) for found in element.all("figcaption")), [])
    if drawings:
        in_grid = "grid" in element.classes or any(element.with_class("grid"))
        yield {"is": "figure", "columns": 2 if in_grid else 1, "drawings": drawings, "caption": caption}
    elif caption:
        yield {"is": "paragraph", "style": "note", "words": caption}


def _drawings(element: Element, title: str = "") -> Iterator[dict[str, Any]]:
    """Drawings with what stands over them and what they show in words."""
    if "drawing" in element.classes:
        words = element.attributes.get("aria-label", "")
        for found in _printed(element):
            yield {
                "title": title,
                "svg": _in_print(found.svg),
                "width": _width(found.svg),
                "words": words or title or "Drawing",
            }
        return
    if "panel" in element.classes:
        title = next((_flat(child) for child in element.elements if "panel-title" in child.classes), "")
    for child in element.elements:
        yield from _drawings(child, title)


def _printed(element: Element) -> Iterator[Element]:
    for child in element.elements:
        if child.svg:
            yield child
        elif not child.classes & _NOT_PRINTED_CLASSES:
            yield from _printed(child)


def _width(svg: str) -> float:
    """Pixels at which its letters have their intended size."""
    box = _VIEW_BOX.search(svg)
    return float(box[1]) if box else 600.0


def _in_print(svg: str) -> str:
    """The drawing in the type of the print: generic font names mean something else on every computer."""
    return re.sub(r'font-family="[^"]*"', 'font-family="Libertinus Serif"', svg)


def _table(element: Element) -> Block:
    caption = next((_inline(found.children) for found in element.all("caption")), [])
    heads: list[dict[str, Any]] = [
        {"words": _inline(cell.children), "left": at == 0 or "words" in cell.classes, "text": _flat(cell)}
        for head in element.all("thead")
        for at, cell in enumerate(head.all("th"))
    ]
    if not heads:
        raise ValueError("a table of the page has no heads")
    rows: list[dict[str, Any]] = []
    for row in (row for body in element.all("tbody") for row in body.all("tr")):
        cells = [cell for cell in row.elements if cell.tag in ("th", "td")]
        if len(cells) == 1 and len(heads) > 1:
            rows.append({"heading": _inline(cells[0].children)})
        else:
            rows.append({"cells": [_cell(cell, at) for at, cell in enumerate(cells)]})
    texts = [[cell["lines"] for cell in row["cells"]] for row in rows if "cells" in row]
    weights, letters = column_weights([head["text"] for head in heads], texts)
    if (
        "data-widths" in element.attributes
    ):  # of a table to be filled in by hand, whose words say nothing of its columns
        weights = [float(width) for width in element.attributes["data-widths"].split()]
    return {
        "is": "table",
        "caption": caption,
        "heads": heads,
        "rows": rows,
        "weights": weights,
        "letters": letters,
        "short": "short" in element.classes,
        "sign": "sign" in element.classes,
    }


def _cell(cell: Element, at: int) -> dict[str, Any]:
    more = [_inline(part.children) for part in cell.with_class("more")]
    first = next(cell.with_class("first"), None)
    words = _inline((first or cell).children)
    lines = [_flat(first or cell), *(_flat(part) for part in cell.with_class("more"))]
    return {
        "words": words,
        "more": more if first is not None else [],
        "left": at == 0 or "words" in cell.classes,
        "few": "few" in cell.classes,
        "lines": lines,
    }
