"""The chart of the time to the next session: one curve a group, or one a cause, with the numbers at risk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipelines.figure import Figure
from pipelines.measures import MEASURE_LABELS, NEXT_SESSION_MEASURES
from pipelines.next_session import sentence_of
from registry.durations import months, years
from registry.errors import GraftledgerError

from .charts import Curve, curve_panel
from .charts.sheet import chart_sheet
from .charts.survival_curves import LARGE, MARK_WORDS, common_top
from .charts.theme import BLUE, GREEN, PURPLE, VERMILLION
from .labels import chosen_words, group_label

AT_DAYS = (0, *(months(count) for count in range(1, 25)), *(months(count) for count in range(27, 12 * 40, 3)))
"""Where curves are read: monthly for two years, then each quarter, for forty years; they end with their follow-up."""
_STYLES = [(BLUE, False), (VERMILLION, True), (GREEN, False), (PURPLE, True), (BLUE, True), (VERMILLION, False)]
_MARKED = ((0, 1, 2, 3, 5), (0, 1, 2, 3, 5, 10), (0, 2, 5, 10, 15), (0, 5, 10, 15, 20), (0, 5, 10, 20, 30, 40))


def next_session_chart(figures: Sequence[Figure], meta: Mapping[str, Any]) -> str:
    """Curves of figures at `AT_DAYS`, as SVG with a title and notes.

    Raises: GraftledgerError where there are more groups than can be told apart, or nobody was followed.
    """
    by_curve: dict[str, list[Figure]] = {}
    drawn = [figure for figure in figures if figure.measure in NEXT_SESSION_MEASURES]
    causes = len({figure.measure for figure in drawn}) > 1
    for figure in drawn:
        by_curve.setdefault(_label(figure, causes), []).append(figure)
    followed = {label: part for label, part in by_curve.items() if any(f.estimate is not None for f in part)}
    if not followed:
        raise GraftledgerError("Nobody was followed, so there is no curve to draw.")
    if len(followed) > len(_STYLES):
        raise GraftledgerError(
            f"{len(followed)} curves cannot be told apart in one chart. Split by fewer groups, or choose some: --where."
        )
    curves = [
        Curve(label, part, colour, dashed)
        for (label, part), (colour, dashed) in zip(followed.items(), _STYLES, strict=False)
    ]
    marked = _marked_years([figure for part in followed.values() for figure in part])
    start = "first surgery" if meta.get("estimand") == "from-first" else "session"
    drawing = curve_panel(
        curves,
        "next-session",
        years=marked,
        top=common_top(
            [f for part in followed.values() for f in part if f.at is not None and f.at <= years(marked[-1])]
        ),
        axis_title=f"Years since the {start}",
        size=LARGE,
    )
    return chart_sheet(drawing, _title(meta, causes), _notes(meta))


def _label(figure: Figure, causes: bool) -> str:
    others = {name: value for name, value in figure.group.items() if name != "first_operated"}
    group = group_label(Figure(figure.measure, 0, figure.n_unit, figure.method, group=others), "")
    if "first_operated" in figure.group:
        group = f"{group}, first elsewhere".strip(", ")
    cause = (
        MEASURE_LABELS[figure.measure].removeprefix("Next session ").removeprefix("Next session, ") if causes else ""
    )
    words = ": ".join(part for part in (cause, group) if part) or "all"
    return words[0].upper() + words[1:]


def _marked_years(figures: Sequence[Figure]) -> tuple[int, ...]:
    """Years to mark, as far as curves go that rest on enough."""
    sound = [f.at for f in figures if f.estimate is not None and f.at is not None and "too_few" not in f.flags]
    last = max(sound, default=0) / 365.25
    return next((marked for marked in _MARKED if last <= marked[-1] + 1), _MARKED[-1])


def _title(meta: Mapping[str, Any], causes: bool) -> str:
    where = {"anywhere": "here or elsewhere", "from-first": "here, since the first surgery anywhere"}
    after = f" after session {meta['number']}" if meta.get("number") else ""
    by = f", by {' and '.join(name.replace('_', ' ') for name in meta['by'])}" if meta.get("by") else ""
    if causes:
        return f"What ended the wait for a next session{after}{by}"
    return f"Share with a next session {where.get(meta.get('estimand', ''), 'here')}{after}{by}"


def _notes(meta: Mapping[str, Any]) -> list[str]:
    floor = meta["floors"]["at_risk"]
    sentence = sentence_of(meta)
    notes = [sentence] if sentence else []
    if meta.get("chosen"):
        notes.append(chosen_words(meta["chosen"]))
    notes += [
        f"Shading: 95% interval, at each time by itself. Grey: fewer than {floor} still followed. {MARK_WORDS}",
        f"Data complete to {meta['data_date'] or 'no declared day'}; snapshot {meta['snapshot']}. Past patients of one "
        "registry; groups differ in more than what they are split by. No forecast for one person, no verdict.",
    ]
    return notes
