"""Marked areas: how many grafts each received and how many of them truly grow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from registry.definition.codes import SCALP_ZONES

from ._draw import Bools, Floats, Ints, checked_codes, pick, pick_by_row, stream
from ._patients import FEMALE, Patients
from ._sessions import Sessions
from .clinics import SURGEON_LIST
from .model import Model

ZONE_SETS: tuple[tuple[str, ...], ...] = (
    ("hairline", "temples"),
    ("frontal", "hairline"),
    ("frontal", "hairline", "mid_scalp"),
    ("vertex",),
    ("frontal", "hairline", "mid_scalp", "vertex"),
    ("hairline",),
    ("eyebrow",),
    ("scar",),
    ("beard",),
)
"""Sets of recipient zones that occur, each sorted."""
ZONES = checked_codes("graft_count", "zone", sorted({zone for zones in ZONE_SETS for zone in zones}))
_ZONE_SHARES = np.array(
    [
        [0.38, 0.34, 0.10, 0.06, 0.02, 0.07, 0.010, 0.012, 0.008],  # severity up to 3
        [0.12, 0.36, 0.26, 0.13, 0.10, 0.01, 0.006, 0.010, 0.004],  # severity 4
        [0.03, 0.22, 0.32, 0.16, 0.25, 0.00, 0.004, 0.012, 0.004],  # severity 5 and above
        [0.10, 0.33, 0.32, 0.04, 0.02, 0.12, 0.040, 0.030, 0.000],  # women
    ]
)
_ZONE_IN_SET = np.array([[float(zone in zones) for zone in ZONES] for zones in ZONE_SETS])

AREA_CHOICES = checked_codes("graft_count", "area_choice", ("random", "convenience", "densest", "thinnest"))
_CHOICE_SHARES = (0.45, 0.30, 0.15, 0.10)
_CHOICE_DENSITY = np.array([1.0, 1.02, 1.20, 0.80])
_SIZES_CM2 = np.array([1.0, 1.5, 2.0, 4.0])

_GRAFT_LOG_ODDS = np.array([s.graft_log_odds for s in SURGEON_LIST])


@dataclass(frozen=True)
class Areas:
    """One element a marked area. session: position among the sessions. label: 0 for A, 1 for B.
    choice: position in AREA_CHOICES. zone: position in ZONES. growing: placed grafts that truly grow."""

    session: Ints
    label: Ints
    choice: Ints
    zone: Ints
    area_cm2: Floats
    placed: Ints
    growing: Ints

    def __len__(self) -> int:
        return len(self.session)

    @property
    def on_scalp(self) -> Bools:
        return np.isin(np.asarray(ZONES)[self.zone], SCALP_ZONES)


def draw_zone_sets(patients: Patients, sessions: Sessions, seed: int) -> Ints:
    """Position in ZONE_SETS of each session's recipient zones."""
    severity = patients.severity[sessions.patient]
    row = np.where(patients.sex[sessions.patient] == FEMALE, 3, np.digitize(severity, (4, 5)))
    return pick_by_row(stream(seed, "zones"), _ZONE_SHARES[row])


def draw_areas(patients: Patients, sessions: Sessions, zone_set: Ints, seed: int, model: Model) -> Areas:
    """The marked areas of each session and their true growth (beta-binomial)."""
    rng = stream(seed, "areas")
    marked = rng.random(len(sessions)) < model.marked_share
    areas_marked = np.where(marked, 1 + (rng.random(len(sessions)) < model.second_area_share), 0)
    session = np.repeat(np.arange(len(sessions)), areas_marked)
    count = len(session)
    label = np.zeros(count, dtype=np.int64)
    label[1:] = session[1:] == session[:-1]
    choice = pick(rng, count, _CHOICE_SHARES)
    size = _SIZES_CM2[pick(rng, count, (0.5, 0.1, 0.25, 0.15))]
    density = np.minimum(sessions.density[session] * _CHOICE_DENSITY[choice], 70.0)
    placed = np.maximum(np.rint(density * size), 5).astype(np.int64)
    placed = np.minimum(placed, sessions.grafts[session] // 2)

    own = rng.normal(0.0, model.graft_patient_sd, len(patients))
    log_odds = (
        model.graft_log_odds
        + _GRAFT_LOG_ODDS[sessions.surgeon[session]]
        + model.graft_log_odds_per_density_above_45 * np.maximum(placed / size - 45.0, 0.0)
        + model.graft_log_odds_per_out_of_body_hour * np.maximum(sessions.out_of_body[session] - 120.0, 0.0) / 60.0
        + own[sessions.patient[session]]
    )
    mean = 1.0 / (1.0 + np.exp(-log_odds))
    spread = 1.0 / model.graft_rho - 1.0
    return Areas(
        session=session,
        label=label,
        choice=choice,
        zone=pick_by_row(rng, _ZONE_IN_SET[zone_set[session]]),
        area_cm2=size,
        placed=placed,
        growing=rng.binomial(placed, rng.beta(mean * spread, (1.0 - mean) * spread)),
    )
