"""What changed between two audits, as lines for a terminal and as a page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pipelines import DURATION_LABELS, MEASURE_LABELS
from pipelines.audit_changes import WHY, AuditChanges, FigureChange
from registry import durations

from .. import wording
from ..labels import value_label
from ..layout import Cell, Row, Section, Table, capitalised
from ..page import document

MOST_SHOWN = 40
"""Figures that a table names; the rest are counted."""

_META_LABELS = {
    "practice": "Practice",
    "quarter": "Quarter",
    "as_of": "Figures up to",
    "data_date": "Records complete to",
    "snapshot": "Snapshot",
    "intake": "Last intake",
    "settings": "Settings",
    "version": "Program",
    "floors": "Floors",
}


@dataclass(frozen=True)
class _Line:
    """One figure, written out."""

    name: str
    before: str
    after: str
    why: str


def diff_lines(changes: AuditChanges, *, most: int = MOST_SHOWN) -> Iterator[str]:
    """Lines of at most 80 letters, as far as names allow."""
    yield f"From {changes.before}"
    yield f"to   {changes.after}"
    yield ""
    for name, (before, after) in changes.meta.items():
        yield f"{_META_LABELS[name]}: {_plain(before)} -> {_plain(after)}"
    for name in changes.definitions:
        yield f"Defined anew: {MEASURE_LABELS.get(name, name)}"
    yield ""
    yield _counts_words(changes)
    for line in _lines(changes, most):
        yield ""
        yield line.name
        yield f"  {line.before} -> {line.after}"
        yield f"  {line.why}"


def build_diff(changes: AuditChanges, practice: str) -> str:
    """The page."""
    meta = Table(
        "What the audits say of themselves, where it differs",
        ("", "Before", "After"),
        tuple(
            Row(_META_LABELS[name], (Cell(_plain(before)), Cell(_plain(after))))
            for name, (before, after) in changes.meta.items()
        ),
        words=(1, 2),
    )
    definitions = Table(
        "Measures defined anew",
        ("Measure", "Before", "After"),
        tuple(
            Row(MEASURE_LABELS.get(name, name), (Cell(before or "not defined"), Cell(after or "not shown any more")))
            for name, (before, after) in changes.definitions.items()
        ),
        words=(1, 2),
    )
    figures = Table(
        "Figures that differ, those that moved most first",
        ("Figure", "Before", "After", "Why, as far as the counts tell"),
        tuple(
            Row(line.name, (Cell(line.before), Cell(line.after), Cell(line.why)))
            for line in _lines(changes, MOST_SHOWN)
        ),
        words=(1, 2, 3),
    )
    section = Section(
        "changes",
        "What changed, and why",
        "changes.html",
        {"meta": meta, "definitions": definitions, "figures": figures, "counts": _counts_words(changes)},
    )
    snapshot = changes.meta.get("snapshot", ("", ""))[1] or changes.after.rpartition(" ")[2]
    facts = {"practice": practice, "snapshot": snapshot, "before": changes.before, "after": changes.after}
    return document("reports.audit_diff", "Two audits compared", facts, [section])


def _counts_words(changes: AuditChanges) -> str:
    both = [change for change in changes.figures if change.before and change.after]
    words = [f"{wording.counted(changes.same, 'figure')} alike, {wording.whole(len(both))} differ"]
    for one, side in (("before", "only in the first"), ("after", "only in the second")):
        alone = sum(1 for change in changes.figures if not getattr(change, "after" if one == "before" else "before"))
        if alone:
            words.append(f"{wording.whole(alone)} {side}")
    reasons = Counter(reason for change in both for reason in change.why)
    why = "; ".join(f"{WHY[name]} {wording.whole(count)}" for name, count in reasons.most_common())
    return f"{', '.join(words)}." + (f" Why, of those that differ: {why}." if why else "")


def _lines(changes: AuditChanges, most: int) -> Iterator[_Line]:
    both = [change for change in changes.figures if change.before and change.after and _is_shown(change)]
    for change in both[:most]:
        yield _Line(
            _name(change),
            _figure_words(change.before or {}),
            _figure_words(change.after or {}),
            capitalised(", ".join(WHY[reason] for reason in change.why)),
        )


def _is_shown(change: FigureChange) -> bool:
    """Curves are told at whole years alone: nobody compares every month."""
    return change.measure not in _CURVES or change.at in _YEARS


_YEARS = frozenset(durations.years(year) for year in (1, 2, 3, 5, 10))
_CURVES = frozenset({"next_session_probability", "next_session_anywhere_probability"})


def _name(change: FigureChange) -> str:
    label = MEASURE_LABELS.get(change.measure) or DURATION_LABELS.get(change.measure)
    parts = [label or capitalised(change.measure.replace("_", " "))]
    parts += [value_label(name, str(value)) for name, value in change.group.items()]
    if change.at is not None:
        parts.append(durations.time_label(change.at))
    return ", ".join(parts)


def _figure_words(figure: Mapping[str, Any]) -> str:
    counts = wording.whole(figure["n"])
    if figure["events"] is not None:
        counts = f"{wording.whole(figure['events'])} of {counts}"
    estimate = figure["estimate"]
    if estimate is None:
        return f"none ({counts})"
    if figure["measure"] in MEASURE_LABELS or 0 < estimate <= 1:
        return f"{wording.percent(min(estimate, 1.0))} ({counts})"
    return wording.whole(estimate) if float(estimate).is_integer() else f"{estimate:,.2f} ({counts})"


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {part}" for name, part in value.items())
    return "none" if value is None else str(value)
