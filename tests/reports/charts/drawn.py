"""What a drawing shows, read back from its SVG."""

from __future__ import annotations

from xml.etree import ElementTree

from reports.charts.svg import Drawing

SVG = "{http://www.w3.org/2000/svg}"


def texts(found: Drawing) -> list[str]:
    return ["".join(node.itertext()) for node in ElementTree.fromstring(found.svg).iter(f"{SVG}text")]


def marks(found: Drawing, colour: str) -> list[tuple[float, float]]:
    """Places of the points whose line has this colour."""
    places = []
    for node in ElementTree.fromstring(found.svg).iter(f"{SVG}path"):
        place = node.get("transform", "")
        if place.startswith("translate(") and node.get("stroke") == colour and node.get("fill", "none") != "none":
            x, y = place.removeprefix("translate(").rstrip(")").split(",")
            places.append((float(x), float(y)))
    return places
