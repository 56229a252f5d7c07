"""Laying out a report: its own templates within the document that all reports share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from itertools import count
from typing import TYPE_CHECKING, Any

from .. import wording
from ..layout import Section

if TYPE_CHECKING:
    import jinja2


class _Numbering:
    """The running numbers of tables and figures, in the order in which the page has them."""

    def __init__(self) -> None:
        self._tables, self._figures = count(1), count(1)

    def table(self) -> int:
        return next(self._tables)

    def figure(self) -> int:
        return next(self._figures)


def document(package: str, name: str, cover: Mapping[str, Any], sections: Sequence[Section]) -> str:
    """The page as text. The same content gives the same text.

    package: whose folder `templates` holds `cover.html`, `footer.html` and the templates of the sections.
    name: of the report, over the page and under each printed one.
    cover: what cover and footer take; `practice` and `snapshot` are among it.
    """
    template = _environment(package).get_template("document.html")
    text = template.render(name=name, cover=cover, sections=sections, number=_Numbering())
    return "\n".join(line for line in (line.rstrip() for line in text.splitlines()) if line) + "\n"


@cache
def _environment(package: str) -> jinja2.Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader(package), jinja2.PackageLoader("reports.page")]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["percent"] = wording.percent
    environment.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    return environment
