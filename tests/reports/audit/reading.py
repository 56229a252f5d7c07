"""Reading a page back: its elements, its text, its tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input"}


@dataclass
class Element:
    tag: str
    attributes: dict[str, str]
    children: list[Element | str] = field(default_factory=list)

    @property
    def text(self) -> str:
        parts = [child if isinstance(child, str) else child.text for child in self.children]
        return " ".join(" ".join(parts).split())

    def all(self, *tags: str) -> list[Element]:
        found: list[Element] = []
        for child in self.children:
            if isinstance(child, Element):
                if not tags or child.tag in tags:
                    found.append(child)
                found += child.all(*tags)
        return found


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open = [Element("document", {})]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open[-1].children.append(Element(tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        closed = self.open.pop()
        if closed.tag != tag:
            raise ValueError(f"<{closed.tag}> is closed by </{tag}>")

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(data)


def read(html: str) -> Element:
    """The page as elements. Raises: ValueError where an element is not closed in its turn."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    (document,) = reader.open
    return document


def table(document: Element, caption: str) -> dict[str, list[str]]:
    """The cells of the table whose caption ends so, by row heading."""
    for found in document.all("table"):
        if found.all("caption")[0].text.endswith(caption):
            return {
                row.all("th")[0].text: [cell.text for cell in row.all("td")] for row in found.all("tr") if row.all("td")
            }
    raise LookupError(caption)


def section(document: Element, name: str) -> Element:
    """The section of that id."""
    return next(found for found in document.all("section") if found.attributes["id"] == name)
