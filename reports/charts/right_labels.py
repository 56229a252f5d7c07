"""Labels at the right end of lines, moved apart where lines end close together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

_APART = 13.0


def right_labels(
    lines: Sequence[tuple[float, str, str]], low: float, high: float, height: float
) -> list[dict[str, Any]]:
    """Rows `height`, `text`, `colour` for lines (value at the end, text, colour); those off the axis are left out.

    low, high: ends of the axis. height: of the plot, in pixels. `height` of a row: pixels from its top.

    >>> [round(row["height"]) for row in right_labels([(0.5, "a", ""), (0.49, "b", "")], 0, 1, 100)]
    [44, 57]
    """
    shown = sorted((line for line in lines if low <= line[0] <= high), key=lambda line: -line[0])
    wanted = [height * (high - value) / (high - low) for value, _, _ in shown]
    places = list(wanted)
    for number in range(1, len(places)):
        places[number] = max(places[number], places[number - 1] + _APART)
    # lines that crowd are labelled around their middle, within the plot
    pushed = sum(place - want for place, want in zip(places, wanted, strict=True)) / max(1, len(places))
    shift = max(pushed, places[-1] - height) if places else 0.0
    shift = min(shift, places[0]) if places else 0.0
    return [
        {"height": place - shift, "text": text, "colour": colour}
        for place, (_, text, colour) in zip(places, shown, strict=True)
    ]
