"""The sessions that the practice's records hold, and what was done in each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from ._draw import NEVER, Bools, Floats, Ints, chance, checked_codes, pick, pick_by_row, stream
from ._history import History
from ._patients import FEMALE, YEAR, Patients, day_number
from .clinics import SITE_LIST, SURGEON_LIST
from .model import Model

TECHNIQUES = checked_codes("session", "technique", ("strip", "follicular_unit_excision", "combined"))
STRIP, EXCISION, COMBINED = 0, 1, 2

_SURGEON_SITE = np.array([[s.site == site.code for site in SITE_LIST].index(True) for s in SURGEON_LIST])
_SURGEON_SHARE = np.array([s.share for s in SURGEON_LIST])
_ACTIVE_FROM = np.array([day_number(s.active_from) for s in SURGEON_LIST])
_ACTIVE_TO = np.array([day_number(s.active_to) for s in SURGEON_LIST])
_STRIP_LOG_ODDS = np.array([s.strip_log_odds for s in SURGEON_LIST])
_OPENED = np.array([day_number(s.opened_on) for s in SITE_LIST])
_COMPLETE = np.array([day_number(s.complete_to) for s in SITE_LIST])


@dataclass(frozen=True)
class Sessions:
    """One element a session here within the records, ordered by patient and day.

    patient: position among the patients. step: column of the history. number: in the patient's life.
    next_here: day of the next session here, observed or not. elsewhere: day of the next session where that one was
    elsewhere. Either is NEVER where there is none. technique: position in TECHNIQUES. density: grafts per cm2.
    out_of_body: minutes. end: last day of the patient's records.
    """

    patient: Ints
    step: Ints
    number: Ints
    day: Ints
    site: Ints
    surgeon: Ints
    technique: Ints
    grafts: Ints
    area_cm2: Floats
    out_of_body: Floats
    next_here: Ints
    elsewhere: Ints
    end: Ints

    def __len__(self) -> int:
        return len(self.patient)

    @property
    def density(self) -> Floats:
        return self.grafts / self.area_cm2

    @property
    def stripped(self) -> Bools:
        return np.asarray(self.technique != EXCISION)


def draw_sessions(patients: Patients, history: History, seed: int, model: Model) -> Sessions:
    """The sessions here up to the end of the records and the patient's death."""
    rng = stream(seed, "sessions")
    last_day = np.minimum(patients.end, patients.died)
    patient, step = np.nonzero(history.here & (history.day <= last_day[:, None]))
    day, count = history.day[patient, step], len(patient)
    offset = _COMPLETE[patients.site[patient]] - patients.end[patient]
    site = _site(rng, patients.site[patient], day + offset, step, model)
    surgeon = _surgeon(rng, patients, patient, site, day + offset, model)

    years_open = (day - _OPENED[0]) / YEAR
    stripped = chance(
        rng, model.strip_log_odds_first_day + model.strip_log_odds_per_year * years_open + _STRIP_LOG_ODDS[surgeon]
    )
    technique = np.where(stripped, np.where(rng.random(count) < model.combined_share, COMBINED, STRIP), EXCISION)
    later = patients.elsewhere_before[patient] + step > 0
    log_median = (
        np.log(model.grafts_median)
        + model.grafts_log_per_severity * (patients.severity[patient] - 4)
        + model.grafts_log_next_session * later
        - 0.2 * (patients.sex[patient] == FEMALE)
    )
    grafts = np.clip(rng.lognormal(log_median, model.grafts_log_sd), 150, 5600).astype(np.int64)
    density = np.clip(rng.normal(model.density_mean, model.density_sd, count), 12.0, 53.0)
    area = np.clip(np.round(grafts / density, 1), 4.0, 400.0)
    out_of_body = (
        model.out_of_body_base_minutes
        + model.out_of_body_minutes_per_1000 * grafts / 1000
        + rng.normal(0.0, model.out_of_body_sd_minutes, count)
    )
    next_here, elsewhere = _next(history, patient, step)
    return Sessions(
        patient=patient,
        step=step,
        number=patients.elsewhere_before[patient] + step + 1,
        day=day,
        site=site,
        surgeon=surgeon,
        technique=technique,
        grafts=grafts,
        area_cm2=area,
        out_of_body=np.round(np.clip(out_of_body, 15.0, 600.0)),
        next_here=next_here,
        elsewhere=elsewhere,
        end=patients.end[patient],
    )


def _site(rng: Generator, own: Ints, day: Ints, step: Ints, model: Model) -> Ints:
    """Site of each session: the patient's own, or now and then another that is open and complete to that day."""
    other = rng.integers(0, len(SITE_LIST), len(own))
    visits = (
        (step > 0)
        & (rng.random(len(own)) < model.other_site_share)
        & (day >= _OPENED[other])
        & (day <= _COMPLETE[other])
    )
    return np.where(visits, other, own)


def _surgeon(rng: Generator, patients: Patients, patient: Ints, site: Ints, day: Ints, model: Model) -> Ints:
    """Surgeon of each session: the patient's own while active at the site, or another by volume."""

    def by_volume(at_site: Ints, on_day: Ints) -> Ints:
        active = (on_day[:, None] >= _ACTIVE_FROM) & (on_day[:, None] <= _ACTIVE_TO)
        return pick_by_row(rng, _SURGEON_SHARE * (active & (at_site[:, None] == _SURGEON_SITE)))

    offset = _COMPLETE[patients.site] - patients.end
    own = by_volume(patients.site, patients.started + offset)[patient]
    drawn = by_volume(site, day)
    own_here = (day >= _ACTIVE_FROM[own]) & (day <= _ACTIVE_TO[own]) & (_SURGEON_SITE[own] == site)
    return np.where(own_here & (rng.random(len(patient)) < model.own_surgeon_share), own, drawn)


def _next(history: History, patient: Ints, step: Ints) -> tuple[Ints, Ints]:
    """Day of the next session here, and of the next session where that one was elsewhere."""
    columns = history.day.shape[1]
    here_after = np.full((len(history.day), columns + 1), NEVER, dtype=np.int64)
    elsewhere_next = np.full_like(here_after, NEVER)
    for column in range(columns - 1, -1, -1):
        here_after[:, column] = np.where(history.here[:, column], history.day[:, column], here_after[:, column + 1])
        elsewhere_next[:, column] = np.where(history.here[:, column], NEVER, history.day[:, column])
    return here_after[patient, step + 1], elsewhere_next[patient, step + 1]


def draw_reasons(
    rng: Generator, patients: Patients, history: History, sessions: Sessions
) -> tuple[tuple[str, ...], Ints]:
    """Codes of session_reason and the position of each session's reason among them."""
    codes = checked_codes(
        "session",
        "session_reason",
        (
            "first_restoration",
            "planned_stage",
            "progression",
            "density",
            "poor_growth",
            "scar_revision",
            "repair",
            "unknown",
            "other",
        ),
    )
    count = len(sessions)
    next_reason = 2 + pick(rng, count, (0.52, 0.30, 0.05, 0.03, 0.04, 0.03, 0.03))
    after_elsewhere = 2 + pick(rng, count, (0.35, 0.25, 0.08, 0.02, 0.25, 0.02, 0.03))
    came_from_elsewhere = patients.elsewhere_before[sessions.patient] > 0
    reason = np.where((sessions.step == 0) & came_from_elsewhere, after_elsewhere, next_reason)
    reason = np.where(history.was_planned[sessions.patient, sessions.step], 1, reason)
    return codes, np.where((sessions.step == 0) & ~came_from_elsewhere, 0, reason)
