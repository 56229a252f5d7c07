"""Do 95 % limits hold the truth at the size of a registry? 5,000 patients, 2,000 samples an estimand, fixed seeds.

A coverage from 2,000 samples is known to sqrt(0.95 x 0.05 / 2000) = 0.49 %; three of these are allowed on either side.
Truths are the constants the data are drawn with. Days are rounded up, so an event by the end of day t happened by t.
"""

import math

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from pipelines.estimators import (
    cumulative_incidence,
    incidence_at,
    mean_at,
    mean_cumulative,
    product_limit,
    risk_table,
    survival_at,
)

pytestmark = pytest.mark.slow
Ints = npt.NDArray[np.int64]

PATIENTS, SAMPLES = 5000, 2000
THREE_ERRORS = 3 * math.sqrt(0.95 * 0.05 / SAMPLES)
# 1, 2, 5 and 10 years
AT_DAYS = [365, 730, 1826, 3652]
# a quarter have a next session by 3 years, and one in ten dies in ten
SESSION, DEATH, PLANNED = math.log(1 / 0.75) / 1095, math.log(1 / 0.9) / 3652, math.log(1 / 0.9) / 1095


def days_at(rng: np.random.Generator, daily: float, people: int = PATIENTS) -> Ints:
    """Days of an event at a constant daily hazard."""
    return np.ceil(rng.exponential(1 / daily, people)).astype(np.int64)


def closing(rng: np.random.Generator, people: int = PATIENTS) -> Ints:
    """Days from the first session to the day up to which records are complete: patients come in over 15 years."""
    return np.ceil(rng.uniform(0, 5475, people)).astype(np.int64)


def as_held(limits: list[tuple[float | None, float | None]], truth: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Whether each pair of limits holds its truth."""
    lower, upper = (np.array(side, dtype=np.float64) for side in zip(*limits, strict=True))
    return np.asarray((lower <= truth) & (truth <= upper))


def test_next_session_here() -> None:
    """Kaplan-Meier, censored by the closing date and by death, neither of which tells of the session."""
    rng, held = np.random.default_rng(20261201), np.zeros(len(AT_DAYS))
    truth = np.exp(-SESSION * np.array(AT_DAYS))
    for _ in range(SAMPLES):
        session, ends = days_at(rng, SESSION), np.minimum(closing(rng), days_at(rng, DEATH))
        happened = (session <= ends).astype(np.int64)
        spells = pl.DataFrame({"exit_day": np.minimum(session, ends), "events": happened, "censored": 1 - happened})
        estimates = survival_at(product_limit(risk_table(spells)), AT_DAYS)
        held += as_held([(estimate.lower, estimate.upper) for estimate in estimates], truth)
    assert held / SAMPLES == pytest.approx([0.95] * len(AT_DAYS), abs=THREE_ERRORS)


def test_next_session_with_delayed_entry() -> None:
    """Kaplan-Meier: 40 % were enrolled up to three years after the first session, and only if nothing came before."""
    rng, held = np.random.default_rng(20261202), np.zeros(len(AT_DAYS))
    truth = np.exp(-SESSION * np.array(AT_DAYS))
    for _ in range(SAMPLES):
        drawn = 2 * PATIENTS
        session, ends = days_at(rng, SESSION, drawn), closing(rng, drawn)
        entry = np.where(rng.random(drawn) < 0.4, rng.integers(1, 1095, drawn), 0)
        leaves = np.minimum(session, ends)
        seen = np.flatnonzero(leaves > entry)[:PATIENTS]
        assert seen.size == PATIENTS
        happened = (session <= ends)[seen].astype(np.int64)
        spells = pl.DataFrame(
            {"entry_day": entry[seen], "exit_day": leaves[seen], "events": happened, "censored": 1 - happened}
        )
        estimates = survival_at(product_limit(risk_table(spells)), AT_DAYS)
        held += as_held([(estimate.lower, estimate.upper) for estimate in estimates], truth)
    assert held / SAMPLES == pytest.approx([0.95] * len(AT_DAYS), abs=THREE_ERRORS)


def test_competing_causes_of_a_session() -> None:
    """Aalen-Johansen: a session for progression, a planned stage and death compete, a fifth are enrolled late."""
    rng, held = np.random.default_rng(20261203), np.zeros((3, len(AT_DAYS)))
    hazards = np.array([SESSION, PLANNED, DEATH])
    shares = hazards / hazards.sum()
    truth = shares[:, np.newaxis] * -np.expm1(-hazards.sum() * np.array(AT_DAYS))
    for _ in range(SAMPLES):
        drawn = 2 * PATIENTS
        event, ends = days_at(rng, float(hazards.sum()), drawn), closing(rng, drawn)
        cause = np.where(event <= ends, rng.choice([1, 2, 3], drawn, p=shares), 0)
        entry = np.where(rng.random(drawn) < 0.2, rng.integers(1, 365, drawn), 0)
        leaves = np.minimum(event, ends)
        seen = np.flatnonzero(leaves > entry)[:PATIENTS]
        assert seen.size == PATIENTS
        outcomes = {f"events_{k}": (cause[seen] == k).astype(np.int64) for k in (1, 2, 3)}
        table = risk_table(
            pl.DataFrame(
                {
                    "entry_day": entry[seen],
                    "exit_day": leaves[seen],
                    **outcomes,
                    "censored": (cause[seen] == 0).astype(np.int64),
                }
            )
        )
        curves = cumulative_incidence(table)
        for k in (1, 2, 3):
            estimates = incidence_at(curves, str(k), AT_DAYS)
            held[k - 1] += as_held([(estimate.lower, estimate.upper) for estimate in estimates], truth[k - 1])
    assert (held / SAMPLES).ravel() == pytest.approx([0.95] * 12, abs=THREE_ERRORS)


def recurrent(rng: np.random.Generator, dies: bool) -> pl.DataFrame:
    """Histories of 5,000 patients whose own rate of sessions is gamma with mean SESSION and variance SESSION ** 2."""
    rate = rng.gamma(1.0, SESSION, PATIENTS)
    ends = closing(rng)
    death = days_at(rng, DEATH) if dies else np.full(PATIENTS, 10**6)
    leaves = np.minimum(ends, death)
    number = rng.poisson(rate * leaves)
    patient = np.repeat(np.arange(PATIENTS), number)
    on = np.ceil(rng.random(patient.size) * leaves[patient]).astype(np.int64)
    # one row an event, and one to the end; several on one day are one row
    key = np.concatenate([patient * 10_000 + on, np.arange(PATIENTS) * 10_000 + leaves])
    rows, which = np.unique(key, return_inverse=True)
    events = np.bincount(which[: patient.size], minlength=rows.size)
    whose, exits = rows // 10_000, rows % 10_000
    first = np.diff(whose, prepend=-1) != 0
    entry = np.where(first, 0, np.concatenate([[0], exits[:-1]]))
    last = np.append(whose[1:] != whose[:-1], True)
    died = (last & (death <= ends)[whose]).astype(np.int64)
    return pl.DataFrame({"patient": whose, "entry_day": entry, "exit_day": exits, "events": events, "died": died})


@pytest.mark.parametrize("dies", [False, True])
def test_mean_number_of_sessions(dies: bool) -> None:
    """Mean cumulative number, patients differing widely; with death its truth is SESSION (1 - exp(-DEATH t)) / DEATH.

    Limits from the number of events alone, as if all patients had one rate, are far too narrow in the end.
    """
    rng, held, held_as_poisson = np.random.default_rng(20261204 + dies), np.zeros(len(AT_DAYS)), 0
    days = np.array(AT_DAYS)
    truth = SESSION * (-np.expm1(-DEATH * days) / DEATH if dies else days)
    for _ in range(SAMPLES):
        curve = mean_cumulative(recurrent(rng, dies))
        estimates = mean_at(curve, AT_DAYS)
        held += as_held([(estimate.lower, estimate.upper) for estimate in estimates], truth)
        row = curve.counts.row_on(AT_DAYS[-1])
        poisson = math.sqrt(float((curve.events[: row + 1] / curve.at_risk[: row + 1] ** 2).sum()))
        held_as_poisson += abs(curve.mean[row] - truth[-1]) <= 1.96 * poisson
    assert held / SAMPLES == pytest.approx([0.95] * len(AT_DAYS), abs=THREE_ERRORS)
    assert held_as_poisson / SAMPLES < 0.9
