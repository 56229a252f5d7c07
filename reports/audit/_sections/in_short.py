"""The main figures in plain sentences, and what to mind when reading them."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines import MEASURE_LABELS, Figure
from pipelines.measures import WINDOW_MEASURES
from registry import durations

from ... import wording
from ...layout import Section, picked
from .._data import YEARS, AuditData
from .numbness import milestone_label

_NOT_ASSESSED = ("not_reached", "missed_visit", "item_empty")
"""Why a session that was due could not be assessed."""


def in_short(data: AuditData) -> Section:
    """One paragraph a subject, then the cautions."""
    paragraphs = [_records(data), _next_session(data), _complications(data), _numbness(data), _survival(data)]
    return Section(
        "in-short",
        "In short",
        "in_short.html",
        {"paragraphs": [text for text in paragraphs if text], "cautions": _cautions(data)},
    )


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
    figure = data.survival[0]
    if figure.estimate is None:
        return "Graft survival: no area has a count made 10 to 18 months after its session."
    areas, patients = wording.counted(figure.n, "marked area"), wording.counted(figure.n_clusters or 0, "patient")
    few = " (too few to read)" if not _readable(figure) else ""
    return (
        f"Graft survival 10 to 18 months after the session: {wording.share_words(figure)}, from {areas} with "
        f"{wording.counted(figure.at_risk or 0, 'placed graft')} in {patients}{few}."
    )


def _cautions(data: AuditData) -> list[str]:
    cautions = []
    if erased := data.meta.get("erased_since"):
        cautions.append(
            f"This shows the registry as of an earlier intake, and {wording.counted(erased, 'patient')} "
            f"{'was' if erased == 1 else 'were'} erased since: it is not what was printed then."
        )
    short = sum(day is None or day < data.quarter.last_on for day in data.complete_to.values())
    if short:
        sites = "the only site" if len(data.complete_to) == 1 else f"{short} of {len(data.complete_to)} sites"
        cautions.append(
            f"The quarter has not been fully reported: it ends on {wording.date_words(data.quarter.last_on)}, and the "
            f"records of {sites} do not reach that day. Its figures will change."
        )
    least = _least_assessed(data.complications)
    if least is not None:
        figure, missed = least
        name = MEASURE_LABELS[figure.measure] + (f" at {milestone_label(figure.at)}" if figure.at else "")
        cautions.append(
            f"Least is known of {name[0].lower()}{name[1:]}: {wording.counted(missed, 'session')} that were due could "
            f"not be assessed, beside {wording.whole(figure.n)} that could. Those left out may have fared otherwise."
        )
    few = [figure for figure in (*data.complications, *data.survival) if "too_few" in figure.flags]
    if few:
        names = list(dict.fromkeys(MEASURE_LABELS[figure.measure].lower() for figure in few))
        cautions.append(f"Resting on too few to read: {wording.listed(names)}.")
    held = sum(figure.n for figure in picked(data.intake, "rows_held_back") if "rule" not in figure.group)
    if held:
        cautions.append(f"{wording.counted(held, 'row')} delivered by the sites are held back and in no figure.")
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


def _readable(figure: Figure) -> bool:
    return figure.estimate is not None and "too_few" not in figure.flags
