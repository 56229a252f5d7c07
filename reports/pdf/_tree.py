"""From the text of a report page to a tree of its elements."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

_NEVER_CLOSED = frozenset({"meta", "link", "br", "hr", "img", "input", "wbr", "col"})
_DRAWING = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
_DRAWN = "drawn"


@dataclass
class Element:
    """An element of a page: its attributes, and elements and texts in their order.

    svg: the drawing as it stands in the page, of an element that is one.
    """

    tag: str
    attributes: dict[str, str] = field(default_factory=dict)
    children: list[Element | str] = field(default_factory=list)
    svg: str = ""

    @property
    def classes(self) -> frozenset[str]:
        return frozenset(self.attributes.get("class", "").split())

    @property
    def elements(self) -> Iterator[Element]:
        """Its children that are elements."""
        return (child for child in self.children if isinstance(child, Element))

    def all(self, tag: str) -> Iterator[Element]:
        """Every element of that tag within this one, in the order of the page."""
        for child in self.elements:
            if child.tag == tag:
                yield child
            yield from child.all(tag)

    def with_class(self, name: str) -> Iterator[Element]:
        """Every element of that class within this one."""
        for child in self.elements:
            if name in child.classes:
                yield child
            yield from child.with_class(name)

    @property
    def text(self) -> str:
        """Its words, without what marks them."""
        return "".join(child if isinstance(child, str) else child.text for child in self.children)


def read_page(html_text: str) -> Element:
    """The page as a tree. Drawings keep their text as it is: SVG tells large letters from small ones."""
    drawings = _DRAWING.findall(html_text)
    counter = iter(range(len(drawings)))
    builder = _Builder(drawings)
    builder.feed(_DRAWING.sub(lambda _: f'<{_DRAWN} data-at="{next(counter)}"></{_DRAWN}>', html_text))
    builder.close()
    return builder.root


class _Builder(HTMLParser):
    def __init__(self, drawings: list[str]) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("page")
        self._open = [self.root]
        self._drawings = drawings

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        if tag == _DRAWN:
            element.svg = self._drawings[int(element.attributes["data-at"])]
        self._open[-1].children.append(element)
        if tag not in _NEVER_CLOSED:
            self._open.append(element)

    def handle_endtag(self, tag: str) -> None:
        tags = [element.tag for element in self._open]
        if tag in tags[1:]:
            while self._open.pop().tag != tag:
                pass

    def handle_data(self, data: str) -> None:
        self._open[-1].children.append(data)
