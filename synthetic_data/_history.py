"""When sessions happen: each patient's latent sequence of sessions, here and elsewhere, however long it takes.

Each session restarts the clock. Three latent times run from it: an unplanned next session here, a planned next
stage here, a next session elsewhere. The earliest is the next session. Death does not enter: it ends the observed
sequence, not the latent one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from ._draw import NEVER, Bools, Floats, Ints, stream
from ._patients import FEMALE, YEAR, Patients, not_sunday
from .model import Model


@dataclass(frozen=True)
class History:
    """Arrays of shape (patients, 1 + sessions ahead); column 0 is the first session here.

    day: days since 1970-01-01; NEVER or later where it does not happen within 80 years.
    here: at the practice. further_planned: stages still planned when the session was decided on.
    was_planned: took place as a planned stage.
    """

    day: Ints
    here: Bools
    further_planned: Ints
    was_planned: Bools

    def next_day(self, *, here_only: bool) -> Ints:
        """Day of the next session after column 0, here or anywhere; NEVER where there is none."""
        later = self.day[:, 1:]
        return np.asarray(np.where(self.here[:, 1:] | (not here_only), later, NEVER).min(axis=1))


def draw_history(patients: Patients, seed: int, model: Model) -> History:
    """The latent sessions of every patient."""
    rng = stream(seed, "history")
    count, ahead = len(patients), model.sessions_ahead
    day = np.full((count, ahead + 1), NEVER, dtype=np.int64)
    here = np.ones((count, ahead + 1), dtype=np.bool_)
    further = np.zeros((count, ahead + 1), dtype=np.int64)
    was_planned = np.zeros((count, ahead + 1), dtype=np.bool_)
    day[:, 0] = patients.started
    planned_share = np.where(patients.severity > 4, model.planned_share_severe, model.planned_share_mild)
    further[:, 0] = np.where(rng.random(count) < planned_share, 1 + (rng.random(count) < 0.12), 0)

    personal = np.exp(
        model.gap_log_hazard_per_year_of_age * (patients.age - 35)
        + model.gap_log_hazard_per_severity * (patients.severity - 4)
        + model.gap_log_hazard_prevented * patients.prevented
        + model.gap_log_hazard_female * (patients.sex == FEMALE)
    )
    by_number = np.asarray(model.gap_factor_by_number)
    for step in range(ahead):
        factor = personal * by_number[np.minimum(patients.elsewhere_before + step, len(by_number) - 1)]
        was_here = here[:, step]
        to_here = _gap_years(
            rng, factor * np.where(was_here, 1.0, model.after_elsewhere_factor_here), model.gap_hazard_here, model
        )
        to_elsewhere = _gap_years(
            rng,
            factor * np.where(was_here, 1.0, model.after_elsewhere_factor_elsewhere),
            model.gap_hazard_elsewhere,
            model,
        )
        stage_due = (further[:, step] > 0) & was_here & (rng.random(count) < model.planned_goes_ahead_share)
        stage_gap = np.maximum(
            rng.lognormal(np.log(model.planned_median_years), model.planned_log_sd, count), model.planned_least_years
        )
        to_stage = np.where(stage_due, stage_gap, np.inf)
        gap = np.minimum(np.minimum(to_here, to_stage), to_elsewhere)
        here[:, step + 1] = to_elsewhere > gap
        was_planned[:, step + 1] = here[:, step + 1] & (to_stage <= to_here)
        drawn = day[:, step] + np.ceil(np.minimum(gap, 80.0) * YEAR).astype(np.int64)
        drawn = np.where(here[:, step + 1], not_sunday(drawn), drawn)
        day[:, step + 1] = np.where((gap > 80.0) | (day[:, step] >= NEVER), NEVER, drawn)
        further[:, step + 1] = np.where(
            was_planned[:, step + 1], further[:, step] - 1, rng.random(count) < model.planned_share_mild
        )
    return History(day, here, further, was_planned)


def _gap_years(rng: Generator, factor: Floats, hazard: tuple[float, ...], model: Model) -> Floats:
    """Years to an event whose hazard is constant within the model's intervals; infinite past 80 years."""
    edges = np.append(np.asarray(model.gap_edges_years), 80.0)
    cumulated = np.append(0.0, np.cumsum(np.diff(edges) * np.asarray(hazard)))
    needed = rng.exponential(1.0, len(factor)) / factor
    # np.interp takes the last of equal abscissae, which is the end of an interval without hazard
    years = np.interp(needed, cumulated, edges)
    return np.where(needed > cumulated[-1], np.inf, years)
