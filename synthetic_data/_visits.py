"""What each contact records: answers derived from the latent course, some left empty at random."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.random import Generator

from ._contacts import CALL, COMPLAINT, CONSULTATION, COUNT, EARLY, LATE, MIDDLE, REASONS, SCHEDULED, Contacts, FollowUp
from ._course import MILD, NO_SWELLING, Course, Spell
from ._draw import (
    NEVER,
    Bools,
    Floats,
    Ints,
    checked_codes,
    day_column,
    keys,
    labels,
    nullable,
    pick,
    pick_by_row,
    stream,
)
from ._patients import MALE, THERAPY_SETS, Patients
from ._sessions import Sessions
from .model import Model

_MODES = checked_codes("visit", "contact_mode", ("in_person", "phone", "video", "photographs"))
_PHOTOGRAPHS = 3
_MODE_SHARES = np.zeros((7, 4))
_MODE_SHARES[EARLY] = (0.66, 0.24, 0.07, 0.03)
_MODE_SHARES[MIDDLE] = (0.62, 0.12, 0.08, 0.18)
_MODE_SHARES[LATE] = (0.48, 0.22, 0.08, 0.22)
_MODE_SHARES[CALL] = (0.12, 0.74, 0.09, 0.05)
_MODE_SHARES[COUNT] = (1.0, 0.0, 0.0, 0.0)
_MODE_SHARES[COMPLAINT] = (0.72, 0.10, 0.08, 0.10)
_MODE_SHARES[CONSULTATION] = (0.80, 0.0, 0.15, 0.05)

_SWELLING = checked_codes("visit", "swelling_now", ("none", "mild", "moderate", "severe"))
_INFECTION = checked_codes("visit", "infection", ("none", "superficial", "deep"))
_NUMBNESS = checked_codes("visit", "numbness_donor", ("none", "reduced", "absent_sensation"))
_ELSEWHERE = checked_codes("visit", "surgery_elsewhere_since", ("no", "yes", "unknown"))


def visit_frame(
    patients: Patients,
    sessions: Sessions,
    session_keys: pl.Series,
    course: Course,
    contacts: Contacts,
    follow_up: FollowUp,
    scar_mm: Floats,
    seed: int,
    model: Model,
) -> pl.DataFrame:
    """The visit records, in the order of the contacts. scar_mm: true scar width of each session, 0 without one."""
    rng = stream(seed, "visits")
    at, day, count = contacts.session, contacts.day, len(contacts)
    patient = sessions.patient[at]
    mode = pick_by_row(rng, _MODE_SHARES[contacts.kind])
    seen = mode == 0
    looked = mode != 1
    item_empty = _empty(rng, model, (8, count))
    account_due = (day <= 125) | (rng.random(count) < 0.5)
    complaint = contacts.kind == COMPLAINT

    def unasked(item: int) -> Bools:
        return np.asarray(~complaint & (item_empty[item] | ~account_due))

    swelling = _gather(course.swelling, at)
    grade = course.swelling_grade[at]
    infection = _gather(course.infection, at)
    infection_kind = 1 + course.infection_deep[at]
    folliculitis = _gather(course.folliculitis, at)
    therapy, therapy_unasked = _therapy_now(rng, patients, patient, day)
    lesions = np.where(_now(folliculitis, day), 1 + rng.poisson(6.0, count), 0)
    elsewhere, elsewhere_unasked = _surgery_elsewhere(rng, sessions, contacts, follow_up, model)
    return pl.DataFrame(
        {
            "visit_key": keys(rng, count),
            "session_key": session_keys.gather(pl.Series(at)),
            "visited_on": day_column(sessions.day[at] + day),
            "contact_mode": labels(_MODES, mode),
            "visit_reason": labels(
                REASONS, contacts.reason, (contacts.reason == SCHEDULED) & (rng.random(count) < 0.01)
            ),
            "sensation_before": _sensation_before(rng, contacts),
            "swelling_since_last": labels(_SWELLING, _worst_since(swelling, grade, contacts), unasked(0)),
            "periorbital_bruising_since_last": nullable(
                _since(_gather(course.bruised, at), contacts), unasked(1), pl.Boolean
            ),
            "folliculitis_since_last": nullable(_since(folliculitis, contacts), unasked(2), pl.Boolean),
            "infection_since_last": labels(
                _INFECTION, np.where(_since(infection, contacts), infection_kind, 0), unasked(3)
            ),
            "swelling_now": labels(_SWELLING, _grade_now(swelling, grade, day), item_empty[4] | ~looked | (day > 30)),
            "folliculitis_lesions": nullable(lesions, item_empty[5] | ~looked | (day > 450), pl.Int32),
            "infection": labels(
                _INFECTION, np.where(_now(infection, day), infection_kind, 0), item_empty[6] | ~looked | (day > 450)
            ),
            **_numbness(rng, course, contacts, mode, model),
            **_healing(rng, course, contacts, looked),
            "sutures_out_on": _sutures_out(sessions, course, contacts),
            "scar_width_mm": _scar(rng, scar_mm[at], seen & (day >= 150)),
            "medical_therapy_now": labels(THERAPY_SETS, therapy, therapy_unasked, pl.List(pl.String)),
            "surgery_elsewhere_since": labels(_ELSEWHERE, elsewhere, elsewhere_unasked),
            "satisfaction": _satisfaction(rng, course, contacts),
        }
    )


def _empty(rng: Generator, model: Model, shape: tuple[int, int]) -> Bools:
    return np.asarray(rng.random(shape) < model.item_empty_share)


def _gather(spell: Spell, at: Ints) -> Spell:
    return Spell(spell.onset[at], spell.end[at])


def _now(spell: Spell, day: Ints) -> Bools:
    return (spell.onset <= day) & (day < spell.end)


def _since(spell: Spell, contacts: Contacts) -> Bools:
    """Present at any time after the previous contact, up to this one."""
    return (spell.onset <= contacts.day) & (spell.end > contacts.previous + 1)


def _grade_now(swelling: Spell, grade: Ints, day: Ints) -> Ints:
    """Grade on the day: the worst on the day after onset, one step less before and after."""
    easing = np.maximum(grade - 1, MILD)
    return np.where(_now(swelling, day), np.where(day == swelling.onset + 1, grade, easing), NO_SWELLING)


def _worst_since(swelling: Spell, grade: Ints, contacts: Contacts) -> Ints:
    """Worst grade after the previous contact, up to this one."""
    worst_day = swelling.onset + 1
    reached = (worst_day <= contacts.day) & (worst_day > contacts.previous)
    return np.where(_since(swelling, contacts), np.where(reached, grade, np.maximum(grade - 1, MILD)), NO_SWELLING)


def _sensation_before(rng: Generator, contacts: Contacts) -> pl.Series:
    codes = checked_codes("visit", "sensation_before", ("normal", "reduced", "not_tested"))
    return labels(codes, pick(rng, len(contacts), (0.86, 0.02, 0.12)), ~contacts.first)


def _numbness(rng: Generator, course: Course, contacts: Contacts, mode: Ints, model: Model) -> dict[str, pl.Series]:
    """Numb until the first day of normal sensation; without any sensation in the first third of that time.

    Both areas are tested or neither: were one left empty at a time, a finding in the other would decide more often
    whether numbness anywhere is known.
    """
    untested = (mode == _PHOTOGRAPHS) | (rng.random(len(contacts)) < model.item_empty_share)
    columns = {}
    for name, ends in (("numbness_donor", course.numb_donor), ("numbness_recipient", course.numb_recipient)):
        until = ends[contacts.session]
        third = np.where(until >= NEVER, 120, until // 3)
        state = np.where(contacts.day >= until, 0, np.where(contacts.day < third, 2, 1))
        columns[name] = labels(_NUMBNESS, state, untested)
    return columns


def _healing(rng: Generator, course: Course, contacts: Contacts, looked: Bools) -> dict[str, pl.Series]:
    at, day, count = contacts.session, contacts.day, len(contacts)

    def unless(asked: Bools) -> Bools:
        return ~(asked & looked) | (rng.random(count) < 0.05)

    return {
        "crusts_present": nullable(day < course.crusts_end[at], unless(day <= 45), pl.Boolean),
        "shedding_seen": nullable(
            (course.shedding_from[at] <= day) & (day < course.shedding_end[at]), unless(day <= 130), pl.Boolean
        ),
        "new_growth_visible": nullable(day >= course.growth_from[at], unless((day >= 20) & (day <= 500)), pl.Boolean),
    }


def _sutures_out(sessions: Sessions, course: Course, contacts: Contacts) -> pl.Series:
    """Given at the first contact on or after the day on which they came out."""
    out = course.sutures_out[contacts.session]
    reported = (out <= contacts.day) & (out > contacts.previous)
    return day_column(sessions.day[contacts.session] + out, ~reported)


def _scar(rng: Generator, true_mm: Floats, measurable: Bools) -> pl.Series:
    measured = np.round(np.clip(true_mm + rng.normal(0.0, 0.2, len(true_mm)), 0.1, 25.0), 1)
    return nullable(measured, ~measurable | (true_mm == 0.0) | (rng.random(len(true_mm)) < 0.35))


def _therapy_now(rng: Generator, patients: Patients, patient: Ints, day: Ints) -> tuple[Ints, Bools]:
    """Position in THERAPY_SETS at the contact, mostly what it was at first surgery; and where not asked."""
    stopped = rng.random(len(patient)) < 0.18
    started = np.where(patients.sex[patient] == MALE, 1, 3)
    changed = np.where(patients.therapy[patient] == 0, started, 0)
    return np.where(stopped, changed, patients.therapy[patient]), (day < 60) | (rng.random(len(patient)) < 0.3)


def _surgery_elsewhere(
    rng: Generator, sessions: Sessions, contacts: Contacts, follow_up: FollowUp, model: Model
) -> tuple[Ints, Bools]:
    """Position in no, yes, unknown; and where not asked. The last contact always asks and is always answered."""
    at, count = contacts.session, len(contacts)
    visited = sessions.day[at] + contacts.day
    is_last = visited == follow_up.until[sessions.patient[at]]
    happened = sessions.elsewhere[at] <= visited
    not_known = ~is_last & (rng.random(count) < 0.01)
    left_empty = rng.random(count) < model.item_empty_share
    unasked = ~is_last & ((contacts.day < 300) | left_empty)
    return np.where(not_known, 2, happened.astype(np.int64)), unasked


def _satisfaction(rng: Generator, course: Course, contacts: Contacts) -> pl.Series:
    count = len(contacts)
    mean = 7.9 - 0.8 * course.complicated[contacts.session] - 0.6 * (course.numb_either[contacts.session] >= NEVER)
    rating = np.clip(np.rint(rng.normal(mean, 1.5)), 0, 10).astype(np.int64)
    return nullable(rating, (contacts.day < 150) | (rng.random(count) < 0.25), pl.Int32)
