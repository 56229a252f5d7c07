"""What happened: the main figures in plain sentences, the quarter's activity, and outcomes beside earlier quarters."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines import MEASURE_LABELS, Figure
from pipelines.measures import WINDOW_MEASURES
from pipelines.quarter_activity import Activity
from pipelines.recent_outcomes import RecentOutcome
from pipelines.spans import Span
from registry import durations
from registry.milestones import mature_window_label

from ... import wording
from ...charts import IntervalRow, interval_plot
from ...charts.interval_plot import plot_words
from ...layout import Cell, Picture, Row, Section, Table, picked
from .._data import YEARS, AuditData
from .._targets import target_of, target_words
from .numbness import milestone_label


def in_short(data: AuditData) -> Section:
    """One paragraph a subject; activity and case-mix; what is known of the sessions judged last."""
    paragraphs = [_records(data), _next_session(data), _complications(data), _numbness(data), _survival(data)]
    return Section(
        "in-short",
        "What happened",
        "in_short.html",
        {
            "paragraphs": [text for text in paragraphs if text],
            "activity": _activity_table(data),
            "pictures": [
                picture
                for number, outcome in enumerate(data.recent, start=1)
                if (picture := _panel(outcome, data, number)) is not None
            ],
            "recent": _recent_table(data),
            "has_marks": any(_mark(outcome.figures[0], data) is not None for outcome in data.recent),
            "floor": data.settings.floor_denominator,
        },
    )


def _activity_table(data: AuditData) -> Table:
    def row(head: str, name: str, of: str = "sessions") -> Row:
        return Row(head, tuple(_part(activity, name, of) for activity in data.activity))

    def quartiles(head: str, name: str) -> Row:
        return Row(head, tuple(_quartiles_cell(getattr(activity, name)) for activity in data.activity))

    return Table(
        "Sessions here and who had them",
        ("Count or share", *data.spans),
        (
            row("Sessions", "sessions", ""),
            row("Patients", "patients", ""),
            row("First sessions in life", "first_sessions"),
            row("Strip harvest", "strip"),
            row("Follicular unit excision", "follicular_unit_excision"),
            row("Both in one session", "combined"),
            row("Scar revision, repair or poor growth", "repairs"),
            row("Women", "female"),
            quartiles("Age at first surgery, median", "age_quartiles"),
            quartiles("Grafts placed, median", "graft_quartiles"),
        ),
        (
            "Second line: share of the sessions; under a median, the middle half. Patients whose dates the site moved "
            "are in no quarter.",
        ),
    )


def _part(activity: Activity, name: str, of: str) -> Cell:
    count, total = activity.counts[name], activity.counts.get(of, 0)
    return Cell(wording.whole(count), (wording.percent(count / total),) if total else ())


def _quartiles_cell(quartiles: tuple[float, float, float] | None) -> Cell:
    if quartiles is None:
        return Cell("–")
    low, middle, high = (wording.whole(value) for value in quartiles)
    return Cell(middle, (f"{low} to {high}",))


def _label(outcome: RecentOutcome) -> str:
    return MEASURE_LABELS[outcome.measure] + (f", {milestone_label(outcome.at)}" if outcome.at else "")


def _mark(figure: Figure, data: AuditData) -> float | None:
    """What the practice holds a share against: its target, or its benchmark."""
    target, benchmark = target_of(figure, data.settings), data.settings.benchmarks.get(figure.measure)
    return target.share if target else benchmark.share if benchmark else None


def _panel(outcome: RecentOutcome, data: AuditData, number: int) -> Picture | None:
    if not any(figure.n for figure in outcome.figures):
        return None
    mark = _mark(outcome.figures[0], data)
    rows = [IntervalRow(name, figure, mark) for name, figure in zip(data.spans, outcome.figures, strict=True)]
    from_zero = outcome.measure != "graft_survival"
    drawing = interval_plot(rows, f"recent{number}", "Share", narrow=True, from_zero=from_zero)
    title = _label(outcome)
    return Picture(drawing, plot_words(rows, f"{title[0].lower()}{title[1:]} by quarter of judgement"), title)


def _recent_table(data: AuditData) -> Table:
    with_target = any(target_of(outcome.figures[0], data.settings) for outcome in data.recent)
    rows = []
    for outcome in data.recent:
        target = target_of(outcome.figures[0], data.settings)
        cells = [_recent_cell(figure, span) for figure, span in zip(outcome.figures, outcome.operated, strict=True)]
        if with_target:
            cells.append(Cell(target_words(target) if target else "–"))
        rows.append(Row(_label(outcome), tuple(cells)))
    return Table(
        "Sessions whose days of judgement ended in each quarter",
        ("Measure", *data.spans, *(["Target"] if with_target else [])),
        tuple(rows),
        tuple(
            f"Target for {MEASURE_LABELS[measure].lower()}: {target_words(target)} "
            f"(source: {target.source.rstrip('.')})."
            for measure, target in data.settings.targets.items()
            if any(outcome.measure == measure for outcome in data.recent)
        ),
    )


def _recent_cell(figure: Figure, operated: Span) -> Cell:
    few = "too_few" in figure.flags
    counted = (
        f"{wording.fraction(figure)} {figure.n_unit}"
        if figure.events is not None
        else wording.counted(figure.n, figure.n_unit.rstrip("s"))
    )
    more = [line for line in (wording.interval_words(figure), counted) if line]
    more += [f"operated {operated.first_on.isoformat()}", f"to {operated.last_on.isoformat()}"]
    return Cell(wording.estimate_words(figure), tuple(more), few or figure.estimate is None)


def _records(data: AuditData) -> str:
    def total(measure: str) -> Figure:
        return next(figure for figure in picked(data.summary, measure) if not figure.group)

    text = (
        f"By the end of the quarter the registry holds {wording.counted(total('patients').n, 'patient')} with "
        f"{wording.counted(total('sessions').n, 'session')} here. "
    )
    in_quarter, declared = total("sessions_in_quarter").n, total("sessions_recorded_of_declared").n
    text += (
        f"{wording.counted(in_quarter, 'session')} took place in the quarter"
        if in_quarter
        else "No session of the quarter is recorded"
    )
    return text + (f"; the sites declare {wording.whole(declared)}." if declared else "; the sites declare none.")


def _next_session(data: AuditData) -> str:
    def latest(figures: Sequence[Figure]) -> Figure | None:
        shown = [
            figure
            for year in YEARS
            if 0 < year <= 5
            for figure in figures
            if not figure.group and figure.at == durations.years(year) and _readable(figure)
        ]
        return shown[-1] if shown else None

    here = latest(data.here)
    if here is None or here.estimate is None or here.at is None:
        return "Too few patients have been followed for a year to say how many have a next session here."
    text = (
        f"Of {wording.counted(here.n, 'patient')} whose first surgery was here, an estimated "
        f"{wording.share_words(here)} have a next session here within {durations.time_label(here.at)}, "
        f"{wording.natural_frequency(here.estimate)}."
    )
    anywhere = next((figure for figure in data.anywhere if not figure.group and figure.at == here.at), None)
    if anywhere and _readable(anywhere):
        text += f" With sessions elsewhere counted too: {wording.share_words(anywhere)}."
    return text


def _complications(data: AuditData) -> str:
    return " ".join(
        _share_sentence(f"{measure.label} within {measure.window} days", figure)
        for measure in WINDOW_MEASURES
        for figure in picked(data.complications, measure.name)
    )


def _numbness(data: AuditData) -> str:
    return " ".join(
        _share_sentence(f"Numbness at {milestone_label(figure.at or 0)}", figure)
        for figure in picked(data.complications, "numbness")
    )


def _share_sentence(subject: str, figure: Figure) -> str:
    if figure.estimate is None:
        return f"{subject}: no session could be counted."
    few = " (too few to read)" if not _readable(figure) else ""
    if figure.estimate == 0:
        sessions, limit = wording.counted(figure.n, "session"), wording.interval_words(figure)
        return f"{subject}: none seen in {sessions} assessed{few}; the share is {limit}."
    return f"{subject}: {wording.share_words(figure)}, {wording.fraction(figure)} sessions assessed{few}."


def _survival(data: AuditData) -> str:
    figure, when = data.survival[0], mature_window_label(data.settings.mature_window)
    if figure.estimate is None:
        return f"Graft survival: no area has a count made {when} after its session."
    areas, patients = wording.counted(figure.n, "marked area"), wording.counted(figure.n_clusters or 0, "patient")
    few = " (too few to read)" if not _readable(figure) else ""
    return (
        f"Graft survival {when} after the session: {wording.share_words(figure)}, from {areas} with "
        f"{wording.counted(figure.at_risk or 0, 'placed graft')} in {patients}{few}."
    )


def _readable(figure: Figure) -> bool:
    return figure.estimate is not None and "too_few" not in figure.flags
