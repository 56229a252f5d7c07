"""What needs attention, first: signals, reviews and actions that are overdue, problems with the data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipelines import MEASURE_LABELS, Figure
from pipelines.comparison.reviews import STEPS
from pipelines.follow_up.milestones import FOLLOW_UP_MILESTONES
from pipelines.process_labels import PROCESS_LABELS
from registry import record_type

from ... import wording
from ...charts.funnel_plot import FLAGS
from ...labels import value_label
from ...layout import Section, picked
from .._data import AuditData
from .._targets import misses, target_of, target_words
from .comparison import ratio_words
from .numbness import milestone_label

_NOT_ASSESSED = ("not_reached", "missed_visit", "item_empty")
"""Why a session that was due could not be assessed."""
_LEAST_RECORDED, _LEAST_FOLLOWED, _MOST_EMPTY = 0.95, 0.8, 0.2
"""Shares that call for attention: common practice, no source."""
_FIELDS_NAMED = 4


@dataclass(frozen=True)
class Item:
    """One thing to look at: in words, and the section that holds its evidence."""

    words: str
    to: str
    where: str


def attention(data: AuditData) -> Section:
    """Three lists, each item with a link to its evidence, then what to mind when reading."""
    return Section(
        "attention",
        "What needs attention",
        "attention.html",
        {
            "groups": [
                ("Signals", list(_signals(data)), "No share lies beyond its target, and no severe complication began."),
                ("Overdue reviews and actions", list(_overdue(data)), "None."),
                ("Problems with the data", list(_problems(data)), "None found."),
            ],
            "no_targets": not data.settings.targets,
            "no_comparison": data.compared is None,
            "cautions": _cautions(data),
        },
    )


def _signals(data: AuditData) -> Iterator[Item]:
    shown = [
        *((outcome.figures[0], "in-short", "What happened") for outcome in data.recent),
        *((figure, "process", "Process") for figure in data.process[0]),
    ]
    for figure, to, where in shown:
        target = target_of(figure, data.settings)
        if target and misses(figure, target):
            label = _label(figure)
            yield Item(
                f"{label}: {wording.share_words(figure)}; wanted is {target_words(target)} "
                f"({target.source.rstrip('.')}).",
                to,
                where,
            )
    yield from _compared(data)
    if data.serious:
        number = sum(one.records for one in data.serious)
        kinds = ", ".join(
            f"{value_label('kind', one.kind).lower()} at {one.site} ({one.records})" for one in data.serious[:6]
        )
        yield Item(
            f"{wording.counted(number, 'severe complication')} began in the quarter: {kinds}. Look at each.",
            "complications",
            "Complications",
        )


def _compared(data: AuditData) -> Iterator[Item]:
    """Results of surgeons beyond a limit, as prompts: in the order of outcomes, never by result."""
    if data.compared is None:
        return
    for one, result in data.compared.flagged:
        yield Item(
            f"Surgeon {result.surgeon}, {one.measure.label[0].lower()}{one.measure.label[1:]}: seen over expected "
            f"{ratio_words(result)}, {FLAGS[result.flag]}. A prompt for review, not a verdict.",
            "comparison",
            "Comparison of surgeons",
        )
    for alarm in data.compared.alarms:
        yield Item(
            f"Surgeon {alarm.surgeon}, {alarm.outcome[0].lower()}{alarm.outcome[1:]}: the running sum reached its "
            f"limit on {wording.date_words(alarm.on)}. A prompt to look, which chance alone may give.",
            "comparison",
            "Comparison of surgeons",
        )


def _overdue(data: AuditData) -> Iterator[Item]:
    for action in data.actions:
        if action.is_overdue(data.on):
            due = wording.date_words(action.due_on)
            yield Item(
                f"Action {action.action_id}, due on {due}, {action.owner}: {action.words}",
                "actions",
                "Actions",
            )
    for review in data.reviews:
        if review.is_open:
            step = STEPS[review.next_step] if review.next_step else ""
            yield Item(
                f"Review {review.review_id} of surgeon {review.surgeon} "
                f"({review.label.lower()}, {review.period}) is open since "
                f"{wording.date_words(review.opened_at.date())}; next step: {step}.",
                "actions",
                "Actions",
            )


def _problems(data: AuditData) -> Iterator[Item]:
    records = ("records", "Sites and records")
    undeclared = [site for site, day in data.complete_to.items() if day is None]
    if undeclared:
        yield Item(f"Never declared up to when its records are complete: {_sites(undeclared)}.", *records)
    late = [site for site, day in data.complete_to.items() if day is not None and day < data.quarter.last_on]
    if late:
        yield Item(
            f"The quarter has not been fully reported: it ends on {wording.date_words(data.quarter.last_on)}, and the "
            f"records of {_sites(late)} do not reach that day. Its figures will change.",
            *records,
        )
    in_quarter = picked(data.summary, "sessions_in_quarter")
    silent = [figure.group["site_code"] for figure in in_quarter if figure.group and not figure.n]
    if silent:
        yield Item(f"No session of the quarter has come from {_sites(silent)}.", *records)
    for figure in picked(data.summary, "sessions_recorded_of_declared"):
        if figure.group and figure.estimate is not None and not _LEAST_RECORDED <= figure.estimate <= 1:
            yield Item(
                f"Site {figure.group['site_code']} declares {wording.counted(figure.n, 'session')} of the quarter, and "
                f"{wording.whole(figure.events or 0)} {'is' if figure.events == 1 else 'are'} recorded.",
                *records,
            )
    yield from _follow_up(data)
    held = sum(figure.n for figure in picked(data.intake, "rows_held_back") if "rule" not in figure.group)
    if held:
        yield Item(
            f"{wording.counted(held, 'row')} delivered by the sites {'is' if held == 1 else 'are'} held back and in "
            "no figure.",
            "held-back",
            "Rows held back",
        )
    empty = [
        figure
        for figure in data.missing
        if figure.estimate is not None and figure.estimate > _MOST_EMPTY and "too_few" not in figure.flags
    ]
    if empty:
        first = sorted(empty, key=lambda figure: -(figure.estimate or 0))[:_FIELDS_NAMED]
        names = ", ".join(
            f"{record_type(f.group['record']).field(f.group['field']).label} {wording.percent(f.estimate or 0)}"
            for f in first
        )
        yield Item(
            f"{wording.counted(len(empty), 'field')} left empty in more than {wording.percent(_MOST_EMPTY, 0)} of the "
            f"records of the quarter, most of all: {names}.",
            "held-back",
            "Fields left empty",
        )


def _follow_up(data: AuditData) -> Iterator[Item]:
    where = ("follow-up", "Follow-up")
    low = [
        figure
        for figure in data.contacts_in_quarter
        if figure.estimate is not None and figure.estimate < _LEAST_FOLLOWED and "too_few" not in figure.flags
    ]
    if low:
        labels = {milestone.due: milestone.label for milestone in FOLLOW_UP_MILESTONES}
        names = [f"{wording.percent(figure.estimate or 0)} at {labels[figure.at or 0]}" for figure in low]
        yield Item(f"Contacts made at milestones that fell due in the quarter: {wording.listed(names)}.", *where)
    overdue, due = data.due.sessions("overdue"), data.due.sessions("due")
    if overdue:
        yield Item(
            f"{wording.counted(overdue, 'session')} had an overdue milestone visit on "
            f"{wording.date_words(data.due.on)}, and {wording.whole(due)} one that was due.",
            *where,
        )


def _cautions(data: AuditData) -> list[str]:
    cautions = []
    if erased := data.meta.get("erased_since"):
        cautions.append(
            f"This shows the registry as of an earlier intake, and {wording.counted(erased, 'patient')} "
            f"{'was' if erased == 1 else 'were'} erased since: it is not what was printed then."
        )
    least = _least_assessed(data.complications)
    if least is not None:
        figure, missed = least
        name = _label(figure)
        cautions.append(
            f"Least is known of {name[0].lower()}{name[1:]}: {wording.counted(missed, 'session')} that were due could "
            f"not be assessed, beside {wording.whole(figure.n)} that could. Those left out may have fared otherwise."
        )
    few = [figure for figure in (*data.complications, *data.survival) if "too_few" in figure.flags]
    if few:
        names = list(dict.fromkeys(MEASURE_LABELS[figure.measure].lower() for figure in few))
        cautions.append(f"Resting on too few to read: {wording.listed(names)}.")
    if len(data.settings.sites) > 1:
        cautions.append(
            "Sites differ in whom they treat and whom they see again. A difference between them is no verdict."
        )
    return cautions


def _least_assessed(figures: Sequence[Figure]) -> tuple[Figure, int] | None:
    """The figure with the most due and not assessed for each one assessed."""
    missed = [
        (figure, sum(count for reason, count in figure.not_counted.items() if reason in _NOT_ASSESSED))
        for figure in figures
    ]
    missed = [(figure, count) for figure, count in missed if count]
    return max(missed, key=lambda pair: pair[1] / (pair[0].n + pair[1]), default=None)


def _label(figure: Figure) -> str:
    """The measure, with its milestone where it is told at several and its name does not say which."""
    at = f" at {milestone_label(figure.at)}" if figure.at and figure.measure not in PROCESS_LABELS else ""
    return MEASURE_LABELS[figure.measure] + at


def _sites(codes: Sequence[str]) -> str:
    return f"{'site' if len(codes) == 1 else 'sites'} {wording.listed(list(codes))}"
