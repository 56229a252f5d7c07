"""The page: one HTML document that asks for nothing from outside."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import count
from typing import TYPE_CHECKING

from .. import wording
from ..layout import Section
from ._data import AuditData

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


def page(data: AuditData, sections: Sequence[Section]) -> str:
    """Lay out the sections below the cover. The same data gives the same text."""
    quarter = data.quarter
    cover = {
        "practice": data.settings.practice,
        "quarter": str(quarter),
        "words": quarter.words,
        "first_on": wording.date_words(quarter.first_on),
        "last_on": wording.date_words(quarter.last_on),
        "data_date": data.complete_words,
        "snapshot": data.meta["snapshot"],
        "intakes": len({count.intake_id for count in data.intakes}),
        "settings": data.meta["settings"],
        "version": data.meta["version"],
    }
    text = _environment().get_template("page.html").render(cover=cover, sections=sections, number=_Numbering())
    return "\n".join(line for line in (line.rstrip() for line in text.splitlines()) if line) + "\n"


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("reports.audit"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["percent"] = wording.percent
    environment.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    return environment
