"""What follows a session: complications, numbness and healing, as they are, whether anyone sees them or not.

Days are counted from the session. Something is present on day t where its first day <= t < its end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from ._draw import NEVER, Bools, Floats, Ints, chance, pick, stream
from ._patients import Patients
from ._sessions import Sessions
from .clinics import SURGEON_LIST
from .model import Binary, Model, Numbness

NO_SWELLING, MILD, MODERATE, SEVERE = 0, 1, 2, 3

_COMPLICATION_LOG_ODDS = np.array([s.complication_log_odds for s in SURGEON_LIST])


@dataclass(frozen=True)
class Spell:
    """A complication: its first day, and the first day without it; NEVER where it did not happen."""

    onset: Ints
    end: Ints

    @property
    def happened(self) -> Bools:
        return np.asarray(self.onset < NEVER)


@dataclass(frozen=True)
class Course:
    """One element a session. numb_donor, numb_recipient: first day of normal sensation (0: never numb; NEVER: for
    good). swelling_grade: worst grade, on day swelling.onset + 1. sutures_out: NEVER without a strip."""

    swelling: Spell
    swelling_grade: Ints
    bruised: Spell
    folliculitis: Spell
    infection: Spell
    infection_deep: Bools
    numb_donor: Ints
    numb_recipient: Ints
    crusts_end: Ints
    shedding_from: Ints
    shedding_end: Ints
    growth_from: Ints
    sutures_out: Ints

    @property
    def numb_either(self) -> Ints:
        return np.maximum(self.numb_donor, self.numb_recipient)

    @property
    def complicated(self) -> Bools:
        return np.asarray(
            (self.swelling_grade == SEVERE)
            | self.bruised.happened
            | self.folliculitis.happened
            | self.infection.happened
        )


def draw_course(patients: Patients, sessions: Sessions, seed: int, model: Model) -> Course:
    """The course after each session."""
    rng = stream(seed, "course")
    count, stripped = len(sessions), sessions.stripped
    risk = (
        patients.effect[sessions.patient]
        + _COMPLICATION_LOG_ODDS[sessions.surgeon]
        + model.log_odds_per_density_10 * (sessions.density - 36.0) / 10.0
        + model.log_odds_per_out_of_body_hour * (sessions.out_of_body - 120.0) / 60.0
    )

    def happens(kind: Binary, extra: Floats | float = 0.0) -> Bools:
        return chance(rng, kind.log_odds + kind.strip_log_odds * stripped + risk + extra)

    grade = (risk + rng.logistic(0.0, 1.0, count) > np.asarray(model.swelling_cuts)[:, None]).sum(axis=0)
    swelling_onset = 1 + pick(rng, count, model.swelling_onset_shares)
    swelling = _spell(grade > NO_SWELLING, swelling_onset, rng.integers(2, 6, count))
    bruised = happens(model.bruised_eyes, model.bruised_eyes_log_odds_swelling * (grade >= MODERATE))
    folliculitis_onset = np.floor(
        rng.lognormal(np.log(model.folliculitis_onset_median_days), model.folliculitis_onset_log_sd, count)
    ).astype(np.int64)
    infected = happens(model.infection)
    shedding_from = rng.integers(12, 22, count)
    return Course(
        swelling=swelling,
        swelling_grade=grade,
        bruised=_spell(bruised, 1 + pick(rng, count, (0.3, 0.35, 0.2, 0.1, 0.05)), rng.integers(5, 13, count)),
        folliculitis=_spell(happens(model.folliculitis), np.maximum(folliculitis_onset, 3), rng.integers(5, 26, count)),
        infection=_spell(
            infected, 3 + np.floor(22.99 * rng.beta(1.4, 2.2, count)).astype(np.int64), rng.integers(5, 16, count)
        ),
        infection_deep=infected & (rng.random(count) < model.infection_deep_share),
        numb_donor=np.where(
            stripped,
            _numb_until(rng, model.numbness_donor_strip, sessions.grafts),
            _numb_until(rng, model.numbness_donor_excision, sessions.grafts),
        ),
        numb_recipient=_numb_until(rng, model.numbness_recipient, sessions.grafts),
        crusts_end=np.clip(np.rint(rng.normal(10.0, 1.6, count)), 6, 18).astype(np.int64),
        shedding_from=shedding_from,
        shedding_end=shedding_from + rng.integers(12, 40, count),
        growth_from=np.clip(np.rint(rng.normal(86.0, 16.0, count)), 45, 160).astype(np.int64),
        sutures_out=np.where(stripped, np.clip(7 + rng.poisson(1.6, count), 7, 14), NEVER),
    )


def _spell(happened: Bools, onset: Ints, length: Ints) -> Spell:
    return Spell(np.where(happened, onset, NEVER), np.where(happened, onset + length, NEVER))


def _numb_until(rng: Generator, numbness: Numbness, grafts: Ints) -> Ints:
    """First day of normal sensation."""
    count = len(grafts)
    median = numbness.median_days * (grafts / 2000.0) ** numbness.graft_exponent
    days = np.ceil(median * np.exp(rng.normal(0.0, numbness.log_sd, count))).astype(np.int64)
    kind = rng.random(count)
    return np.where(
        kind < numbness.never_numb_share,
        0,
        np.where(kind < numbness.never_numb_share + numbness.lasting_share, NEVER, days),
    )
