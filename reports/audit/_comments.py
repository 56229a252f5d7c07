"""What the director has to say: a preface and comments on sections, from one Markdown file.

Paragraphs, lists with `-` or `*`, **bold** and *italic* are understood; anything else is text. Nothing of it is passed
on as markup.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from registry import Fault, GraftledgerError
from registry.errors import nearest

from ..layout import Paragraph

PREFACE = "preface"
_MOST_BYTES = 200_000
_HEADING = re.compile(r"#{1,6}\s+(.*?)\s*#*")
_ITEM = re.compile(r"[-*]\s+(.*)")
_MARKS = re.compile(r"\*\*(?P<bold>[^*]+)\*\*|\*(?P<italic>[^*]+)\*")


@dataclass(frozen=True)
class Comments:
    """preface: before the first section. sections: by the name or heading written in the file."""

    preface: tuple[Paragraph, ...] = ()
    sections: Mapping[str, tuple[Paragraph, ...]] = field(default_factory=dict)

    def for_sections(self, headings: Mapping[str, str], file_name: str) -> dict[str, tuple[Paragraph, ...]]:
        """The comments by section.

        headings: of the sections, by name. Raises: GraftledgerError for a heading that is no section.
        """
        names = {heading.casefold(): name for name, heading in headings.items()} | {name: name for name in headings}
        unknown = [heading for heading in self.sections if heading.casefold() not in names]
        if unknown:
            raise GraftledgerError(
                *(
                    Fault(
                        f"'{heading}' is no section of the audit. {nearest(heading, [*headings, PREFACE])}", file_name
                    )
                    for heading in unknown
                )
            )
        return {names[heading.casefold()]: text for heading, text in self.sections.items()}


def read_comments(path: Path) -> Comments:
    """The comments in a file. Raises: GraftledgerError where it cannot be read or is no text."""
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(Fault(f"the comments cannot be read ({why}).", path.name)) from None
    if len(content) > _MOST_BYTES:
        raise GraftledgerError(Fault(f"the comments are longer than {_MOST_BYTES:,} bytes.", path.name))
    try:
        return parse_comments(content.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise GraftledgerError(Fault("the comments are no UTF-8 text.", path.name, mend="Save them so.")) from None


def parse_comments(text: str) -> Comments:
    """The comments in a text: a heading names a section, by its name or its heading; what stands before is the preface.

    >>> parse_comments("Well done.\\n# numbness\\n- *Look* again").sections
    {'numbness': (Paragraph(words=(('italic', 'Look'), ('', ' again')), is_item=True),)}
    """
    found: dict[str, list[Paragraph]] = {PREFACE: []}
    here, run = PREFACE, list[str]()
    is_item = False

    def end() -> None:
        if run:
            found[here].append(Paragraph(_marked(" ".join(run)), is_item))
        run.clear()

    for line in (line.strip() for line in text.splitlines()):
        if heading := _HEADING.fullmatch(line):
            end()
            here = PREFACE if heading[1].casefold() == PREFACE else heading[1]
            found.setdefault(here, [])
        elif item := _ITEM.fullmatch(line):
            end()
            run, is_item = [item[1]], True
        elif not line:
            end()
            is_item = False
        else:
            run.append(line)
    end()
    preface = tuple(found.pop(PREFACE))
    return Comments(preface, {name: tuple(paragraphs) for name, paragraphs in found.items() if paragraphs})


def _marked(text: str) -> tuple[tuple[str, str], ...]:
    words, at = [], 0
    for match in _MARKS.finditer(text):
        if match.start() > at:
            words.append(("", text[at : match.start()]))
        words.append((str(match.lastgroup), str(match[match.lastgroup or 0])))
        at = match.end()
    return (*words, *([("", text[at:])] if at < len(text) else []))
