"""When the practice and its patients are in contact.

Contact ends on a day drawn for each patient without regard to any outcome: loss, or the round of calls before the
data were sent. A contact takes place on that very day and always asks about surgery elsewhere, so that up to then
everything is known. A patient who comes back for a session after that day is seen again, but every later contact
is marked as prompted by the session.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from registry.milestones import MILESTONES, yearly
from registry.settings import DEFAULT_AGE_EDGES

from ._course import SEVERE, Course, Spell
from ._draw import NEVER, Bools, Floats, Ints, checked_codes, pick, stream
from ._history import History
from ._patients import YEAR, Patients
from ._sessions import Sessions
from .model import Model

SCHEDULE = (*MILESTONES, *(yearly(count) for count in range(2, 18)))
_NAMES = [milestone.name for milestone in SCHEDULE]
_MONTH_6, _MONTH_12 = _NAMES.index("month_6"), _NAMES.index("month_12")

REASONS = checked_codes("visit", "visit_reason", ("scheduled", "symptom", "session", "other"))
SCHEDULED, SYMPTOM, PROMPTED, OTHER = range(4)
EARLY, MIDDLE, LATE, CALL, COUNT, COMPLAINT, CONSULTATION = range(7)
"""Kinds of contact: day 1 and 7; month 3 to 12; yearly; the last one; to count grafts; for a symptom; before a
session."""


@dataclass(frozen=True)
class Contacts:
    """One element a contact, ordered by session and day.

    session: position among the sessions. day: after the session. previous: day of the contact before, or -1.
    reason: position in REASONS. kind: EARLY to CONSULTATION. first: no contact about the session came before.
    """

    session: Ints
    day: Ints
    previous: Ints
    reason: Ints
    kind: Ints

    def __len__(self) -> int:
        return len(self.session)

    @property
    def first(self) -> Bools:
        return self.previous < 0


@dataclass(frozen=True)
class FollowUp:
    """When contact ended, in days since 1970-01-01, one element a patient.

    until: last day of contact that no session prompted. lost: before the round of calls.
    has_last_contact: a contact takes place on that day. death_known: whether the practice learns of the death.
    """

    until: Ints
    lost: Bools
    has_last_contact: Bools
    death_known: Bools


def draw_follow_up(patients: Patients, history: History, seed: int, model: Model) -> FollowUp:
    """When contact with each patient ends."""
    rng = stream(seed, "follow-up")
    count = len(patients)
    lost_on = patients.started + _days_to_loss(rng, patients, np.arange(count), model)
    before_death = patients.died - rng.integers(1, 91, count)
    called_on = np.minimum(patients.end - rng.integers(0, model.round_days + 1, count), before_death)
    is_called = called_on > patients.started
    stays_until = np.where(is_called, called_on, np.minimum(patients.end, patients.died))
    until = np.minimum(lost_on, stays_until)

    first_elsewhere = np.where(history.here, NEVER, history.day).min(axis=1)
    leaves = (first_elsewhere <= until) & (rng.random(count) < model.leave_after_elsewhere_share)
    until = np.where(leaves, first_elsewhere - 1, until)
    lost = (until < stays_until) | leaves
    return FollowUp(
        until=until,
        lost=lost,
        has_last_contact=(until > patients.started) & (lost | is_called),
        death_known=(patients.died <= patients.end) & (~lost | (rng.random(count) < model.deaths_learned_share)),
    )


def draw_contacts(
    patients: Patients,
    sessions: Sessions,
    follow_up: FollowUp,
    course: Course,
    counted: Bools,
    seed: int,
    model: Model,
) -> tuple[Contacts, Ints]:
    """The contacts, and for each session the days of its graft counts: month 6, 12 and 15, NEVER where missed.

    counted: shape (sessions, 3), whether a count was meant at each of the three.
    """
    rng = stream(seed, "contacts")
    count, patient = len(sessions), sessions.patient
    until, returned = follow_up.until[patient], sessions.day > follow_up.until[patient]
    after_return = np.minimum(
        np.minimum(sessions.end, patients.died[patient]), sessions.day + _days_to_loss(rng, patients, patient, model)
    )
    last = np.minimum(np.where(returned, after_return, until), sessions.next_here - 1) - sessions.day

    day = _scheduled_days(rng, count, model)
    attended = rng.random(day.shape) < _attendance(patients, sessions, course, model)
    day = np.where(attended & (day <= last[:, None]), day, NEVER)
    month_15 = 456 + np.rint(rng.normal(0.0, 10.0, count)).astype(np.int64)
    month_15 = np.where(counted[:, 2] & (month_15 <= last), month_15, NEVER)
    count_days = np.column_stack([day[:, _MONTH_6], day[:, _MONTH_12], month_15])
    count_days = np.where(counted, count_days, NEVER)

    final_day = until - sessions.day
    has_final = follow_up.has_last_contact[patient] & ~returned & (until < sessions.next_here)
    final = np.where(has_final, final_day, NEVER)
    reason = np.where(returned, PROMPTED, SCHEDULED)
    final_reason = np.where(rng.random(count) < 0.75, SCHEDULED, OTHER)

    consulted = sessions.next_here - rng.integers(10, 41, count) - sessions.day
    next_seen = sessions.next_here <= np.minimum(sessions.end, patients.died[patient])
    consults = next_seen & (consulted > 60) & (rng.random(count) < model.consultation_share)

    kinds = np.where(np.arange(day.shape[1]) <= 1, EARLY, np.where(np.arange(day.shape[1]) <= _MONTH_12, MIDDLE, LATE))
    is_count = np.zeros(day.shape, dtype=np.bool_)
    is_count[:, [_MONTH_6, _MONTH_12]] = counted[:, :2]
    row, column = np.nonzero(day < NEVER)
    parts = [
        _part(month_15, reason, COUNT),
        (row, day[row, column], reason[row], np.where(is_count[row, column], COUNT, kinds[column])),
        _part(final, final_reason, CALL),
        _part(np.where(consults, consulted, NEVER), np.full(count, PROMPTED), CONSULTATION),
    ]
    for spell, share, latest in _complaints(course, model):
        wait = spell.onset + rng.integers(1, 4, count)
        comes = spell.happened & (rng.random(count) < share) & (wait <= np.minimum(latest, last))
        parts.append(_part(np.where(comes, wait, NEVER), np.full(count, SYMPTOM), COMPLAINT))
    return _in_order(parts), count_days


def _days_to_loss(rng: Generator, patients: Patients, patient: Ints, model: Model) -> Ints:
    scale = model.loss_scale_years * np.exp(model.loss_log_scale_per_age_band * _band(patients.age[patient]))
    days = np.floor(scale * rng.weibull(model.loss_shape, len(patient)) * YEAR)
    return np.asarray(np.minimum(days, NEVER), dtype=np.int64)


def _band(age: Ints) -> Ints:
    """Age bands above (or below) the one from 25 to 34 years."""
    return np.digitize(age, DEFAULT_AGE_EDGES).astype(np.int64) - 1


def _scheduled_days(rng: Generator, count: int, model: Model) -> Ints:
    """Day of each milestone's contact if it takes place: shape (sessions, milestones)."""
    due = np.array([milestone.due for milestone in SCHEDULE])
    late = np.where(rng.random((count, len(due))) < model.late_share, model.late_mean_days, 0.0)
    around = rng.normal(-model.early_days, model.timing_sd_days, (count, len(due))) + late * rng.exponential(
        1.0, (count, len(due))
    )
    day = due + np.rint(around).astype(np.int64)
    day[:, 0] = 1 + (rng.random(count) < 0.1)
    day[:, 1] = 5 + pick(rng, count, (0.04, 0.08, 0.46, 0.16, 0.07, 0.07, 0.04, 0.03, 0.02, 0.03))
    return day


def _attendance(patients: Patients, sessions: Sessions, course: Course, model: Model) -> Floats:
    """Probability that each milestone's contact takes place."""
    share = np.array([model.attendance.get(name, model.attendance["yearly"]) for name in _NAMES])
    log_odds = np.log(share / (1.0 - share)) + (
        model.attendance_log_odds_per_age_band * _band(patients.age[sessions.patient])[:, None]
    )
    if model.attendance_log_odds_with_symptom:
        due = np.array([milestone.due for milestone in SCHEDULE])
        unwell = course.complicated[:, None] | (course.numb_either[:, None] > due)
        log_odds = log_odds + model.attendance_log_odds_with_symptom * unwell
    return np.asarray(1.0 / (1.0 + np.exp(-log_odds)))


def _complaints(course: Course, model: Model) -> list[tuple[Spell, float, int]]:
    """What brings patients in: spell, share who come, and the last day on which they do.

    They come within the window in which the complication counts, never in the days in which a contact would close
    it: otherwise those with the complication would be better observed than those without.
    """
    severe = course.swelling_grade == SEVERE
    swelling = Spell(np.where(severe, course.swelling.onset, NEVER), course.swelling.end)
    return [
        (swelling, model.severe_swelling_symptom_visit_share, 6),
        (course.bruised, model.bruised_eyes.symptom_visit_share, 6),
        (course.folliculitis, model.folliculitis.symptom_visit_share, 59),
        (course.infection, model.infection.symptom_visit_share, 59),
    ]


def _part(day: Ints, reason: Ints, kind: int) -> tuple[Ints, Ints, Ints, Ints]:
    rows = np.nonzero(day < NEVER)[0]
    return rows, day[rows], reason[rows], np.full(len(rows), kind)


def _in_order(parts: list[tuple[Ints, Ints, Ints, Ints]]) -> Contacts:
    """One contact a session and day, the first listed; ordered by session and day."""
    session, day, reason, kind = (np.concatenate([part[i] for part in parts]) for i in range(4))
    order = np.lexsort((np.concatenate([np.full(len(p[0]), i) for i, p in enumerate(parts)]), day, session))
    session, day, reason, kind = session[order], day[order], reason[order], kind[order]
    new = np.ones(len(session), dtype=np.bool_)
    new[1:] = (session[1:] != session[:-1]) | (day[1:] != day[:-1])
    session, day, reason, kind = session[new], day[new], reason[new], kind[new]
    previous = np.full(len(session), -1, dtype=np.int64)
    previous[1:] = np.where(session[1:] == session[:-1], day[:-1], -1)
    return Contacts(session, day, previous, reason, kind)
