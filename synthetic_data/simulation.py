"""Observed records and their truth, in memory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from registry.definition import RECORD_TYPES
from registry.errors import GraftledgerError

from ._contacts import draw_contacts, draw_follow_up
from ._draw import declared_columns, keys, stream
from ._finding_records import complication_frame, graft_count_frame, site_period_frame
from ._latent import draw_latent
from ._patient_records import patient_frame
from ._session_records import draw_closures, elsewhere_frame, session_frame
from ._visits import visit_frame
from .model import MODEL, Model
from .truth import Truth, realised_truth

MOST_PATIENTS = 2_000_000
_BY_DAY = {"patient": "enrolled_on", "session": "performed_on", "visit": "visited_on", "graft_count": "counted_on"}
"""Rows are in the order in which a site would have written them down; the others are made in order."""


@dataclass(frozen=True)
class Simulated:
    """frames: one frame a record type, columns as declared, typed as the registry's tables. truth: realised."""

    frames: Mapping[str, pl.DataFrame]
    truth: Truth


def simulate(patients: int, seed: int, model: Model = MODEL) -> Simulated:
    """The records of that many patients, and the truth behind them. The same for the same arguments.

    Raises: GraftledgerError where patients is not from 1 to 2,000,000 or seed is negative.
    """
    if not 1 <= patients <= MOST_PATIENTS:
        raise GraftledgerError(f"The number of patients must be from 1 to {MOST_PATIENTS:,}.")
    if seed < 0:
        raise GraftledgerError("The seed must be 0 or above.")
    latent = draw_latent(patients, seed, model)
    people, history, sessions, course, areas = (
        latent.patients,
        latent.history,
        latent.sessions,
        latent.course,
        latent.areas,
    )
    rng = stream(seed, "counting")
    counted = rng.random((len(sessions), 3)) < model.count_shares
    counted &= (np.bincount(areas.session, minlength=len(sessions)) > 0)[:, None]
    follow_up = draw_follow_up(people, history, seed, model)
    contacts, count_days = draw_contacts(people, sessions, follow_up, course, counted, seed, model)

    session_keys = keys(stream(seed, "session keys"), len(sessions))
    closure, scar_mm = draw_closures(sessions, seed, model)
    patient = patient_frame(people, sessions, contacts, follow_up, seed)
    patient_keys = patient["patient_key"]
    visit = visit_frame(people, sessions, session_keys, course, contacts, follow_up, scar_mm, seed, model)
    here = session_frame(people, history, sessions, patient_keys, session_keys, latent.zone_set, closure, seed)
    elsewhere = elsewhere_frame(people, history, sessions, visit, patient_keys, session_keys, seed, model)
    frames = {
        "patient": patient,
        "session": pl.concat([here, elsewhere]),
        "visit": visit,
        "complication": complication_frame(sessions, session_keys, course, contacts, seed, model),
        "graft_count": graft_count_frame(sessions, session_keys, areas, count_days, seed, model),
        "site_period": site_period_frame(sessions, seed),
    }
    return Simulated(
        {
            record.name: _in_order(declared_columns(record.name, frames[record.name]), record.name)
            for record in RECORD_TYPES
        },
        realised_truth(latent),
    )


def _in_order(frame: pl.DataFrame, record: str) -> pl.DataFrame:
    return frame.sort(_BY_DAY[record], maintain_order=True) if record in _BY_DAY else frame
