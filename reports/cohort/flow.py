"""The flow of patients into a cohort: as lines for the terminal, as CSV, and as a diagram."""

from __future__ import annotations

import csv
import html
import io
import textwrap
from collections.abc import Sequence

from pipelines.cohorts import FlowStep, StoredCohort

from ..charts.theme import BLUE, INK, QUIET

_WIDTH, _BOX, _LINE, _GAP, _LETTERS = 640, 300, 16, 30, 40


def flow_lines(flow: Sequence[FlowStep]) -> list[str]:
    """The steps as a table of 80 columns."""
    lines = [f"{'step':<54}{'left out':>12}{'remain':>12}"]
    for number, step in enumerate(flow):
        first, *others = textwrap.wrap(step.name, 52)
        left_out = f"{step.excluded:,}" if number else ""
        lines.append(f"{first:<54}{left_out:>12}{step.remaining:>12,}")
        lines += [f"  {other}" for other in others]
    return lines


def flow_csv(flow: Sequence[FlowStep]) -> str:
    """The steps as CSV."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["step", "left_out", "remaining"])
    writer.writerows([step.name, step.excluded, step.remaining] for step in flow)
    return text.getvalue()


def cohort_svg(cohort: StoredCohort, flow: Sequence[FlowStep], snapshot: str, notes: Sequence[str] = ()) -> str:
    """The diagram of a cohort that is kept, with what must stand below it."""
    return flow_svg(
        flow,
        f"Cohort {cohort.name}, version {cohort.version}",
        [
            f"Patients. Each is counted at the first step that is not met. Snapshot {snapshot}.",
            "Small numbers can tell on people: do not pass this on without a look at them.",
            *notes,
        ],
    )


def flow_svg(flow: Sequence[FlowStep], title: str, notes: Sequence[str] = ()) -> str:
    """The steps as a diagram: who remains, down the left; who was left out at each step, to the right."""
    parts: list[str] = []
    top = 56
    for number, step in enumerate(flow):
        name = textwrap.wrap(step.name, _LETTERS)
        height = _LINE * (len(name) + 1) + 14
        if number:
            middle = top - _GAP / 2
            parts.append(_arrow(20 + _BOX / 2, top - _GAP, 20 + _BOX / 2, top))
            if step.excluded:
                parts.append(_arrow(20 + _BOX / 2, middle, _BOX + 50, middle))
                parts.append(_text(_BOX + 56, middle + 4, f"{step.excluded:,} left out", QUIET))
        parts.append(
            f'<rect x="20" y="{top}" width="{_BOX}" height="{height}" rx="3" fill="none" stroke="{BLUE}" '
            'stroke-width="1.5"/>'
        )
        for place, line in enumerate(name):
            parts.append(_text(32, top + 20 + _LINE * place, line, INK))
        parts.append(_text(32, top + 20 + _LINE * len(name), f"n = {step.remaining:,}", INK, bold=True))
        top += height + _GAP
    for note in notes:
        for line in textwrap.wrap(note, 95):
            parts.append(_text(20, top, line, QUIET))
            top += _LINE
    said = f"{title}. " + " ".join(
        f"{step.name}: {step.excluded:,} left out, {step.remaining:,} remain." for step in flow
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH}" height="{top + 4}" viewBox="0 0 {_WIDTH} {top + 4}" '
        f'font-family="sans-serif" font-size="12" role="img" aria-label="{html.escape(said)}">'
        f'<defs><marker id="end" viewBox="0 0 8 8" refX="8" refY="4" markerWidth="7" markerHeight="7" orient="auto">'
        f'<path d="M0 0 L8 4 L0 8 z" fill="{QUIET}"/></marker></defs>'
        f'<rect width="{_WIDTH}" height="{top + 4}" fill="#ffffff"/>'
        f'<text x="20" y="32" font-size="15" font-weight="bold" fill="{INK}">{html.escape(title)}</text>'
        f"{''.join(parts)}</svg>\n"
    )


def _arrow(x1: float, y1: float, x2: float, y2: float) -> str:
    return (
        f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}" stroke="{QUIET}" stroke-width="1.2" '
        'marker-end="url(#end)"/>'
    )


def _text(x: float, y: float, text: str, colour: str, *, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:g}" y="{y:g}" fill="{colour}"{weight}>{html.escape(text)}</text>'
