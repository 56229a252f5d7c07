"""From a chart to SVG that stands in a page: no fixed size, no names that meet those of another chart."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import altair

_ID = re.compile(r'\bid="([^"]+)"')
_ROOT = re.compile(r"<svg [^>]*?viewBox=\"0 0 ([0-9.]+) ([0-9.]+)\"[^>]*>")


@dataclass(frozen=True)
class Drawing:
    """A chart as text. width, height: pixels at which its letters have their intended size."""

    svg: str
    width: int
    height: int


def draw(chart: altair.LayerChart, name: str) -> Drawing:
    """Draw a chart. The same chart and name give the same text, every time.

    name: unique within the page; the ids within the drawing begin with it.
    """
    import vl_convert

    text = str(vl_convert.vegalite_to_svg(chart.to_dict(validate=False)))
    # ids count up over the life of the process: number them afresh, or the second chart drawn would differ
    for number, old in enumerate(dict.fromkeys(_ID.findall(text)), start=1):
        new = f"{name}-{number}"
        text = text.replace(f'id="{old}"', f'id="{new}"').replace(f"#{old})", f"#{new})")
    root = _ROOT.match(text)
    if root is None:
        raise ValueError("the drawing has no view box")
    width, height = round(float(root[1])), round(float(root[2]))
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" style="max-width:{width}px" '
        'focusable="false">'
    )
    return Drawing(opening + text[root.end() :], width, height)
