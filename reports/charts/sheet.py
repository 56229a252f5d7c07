"""A chart by itself: one file with its title above it and what it rests on below."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from pathlib import Path

from registry.errors import Fault, GraftledgerError

from .svg import Drawing
from .theme import INK, QUIET

SUFFIXES = (".svg", ".png")
_MARGIN, _TITLE, _LINE = 20, 34, 17
_LETTER = 6.1
"""Pixels that a letter of the notes takes, rather wide, so that no line runs over whatever the font."""


def chart_sheet(drawing: Drawing, title: str, notes: Sequence[str]) -> str:
    """The drawing with a title above and notes below, as SVG on white."""
    letters = int(drawing.width / _LETTER)
    lines = [line for note in notes for line in textwrap.wrap(note, letters)]
    width, top = drawing.width + 2 * _MARGIN, _MARGIN + _TITLE
    height = top + drawing.height + _LINE * (len(lines) + 1) + _MARGIN
    inner = drawing.svg.replace("<svg ", f'<svg x="{_MARGIN}" y="{top}" width="{drawing.width}" ', 1)
    inner = inner.replace("viewBox", f'height="{drawing.height}" viewBox', 1)
    below = "".join(
        f'<text x="{_MARGIN}" y="{top + drawing.height + _LINE * (place + 1)}" font-size="11.5" fill="{QUIET}">'
        f"{html.escape(line)}</text>"
        for place, line in enumerate(lines)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}" '
        f'font-family="sans-serif" role="img" aria-label="{html.escape(title)}">'
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>'
        f'<text x="{_MARGIN}" y="{_MARGIN + 14}" font-size="15" font-weight="bold" fill="{INK}">'
        f"{html.escape(title)}</text>{inner}{below}</svg>\n"
    )


def write_chart(path: Path, svg: str) -> None:
    """Write an SVG, or the PNG of it at twice the size, as the file's ending says.

    Raises: GraftledgerError where the file is there already, or cannot be written.
    """
    from vl_convert import svg_to_png

    content = svg.encode("utf-8") if path.suffix.lower() == ".svg" else svg_to_png(svg, scale=2)
    try:
        with path.open("xb") as file:
            file.write(content)
    except FileExistsError:
        raise GraftledgerError(Fault("the file is there already.", str(path), mend="Choose another name.")) from None
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(Fault(f"the chart could not be written ({why}).", str(path))) from None


def check_chart_path(path: Path) -> None:
    """Refuse a file of another kind before anything is computed.

    Raises: GraftledgerError.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise GraftledgerError(f"A chart is written as {' or '.join(SUFFIXES)}: name the file so, such as chart.svg.")
    if path.exists():
        raise GraftledgerError(Fault("the file is there already.", str(path), mend="Choose another name."))
