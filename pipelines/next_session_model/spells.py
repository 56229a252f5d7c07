"""The spells of the model, from the records: one row a spell, with the covariates at its start."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from registry.store import Registry

from .._queries import SESSION_HERE, kept, rows
from ..figure import NOT_COUNTED_REASONS
from ..groups import shared_texts, shared_values

MOST_PATIENTS = 200_000
"""Above this, a random sample of so many patients is taken: two cores fit it within a minute."""


@dataclass(frozen=True, eq=False)
class ModelSpells:
    """rows: the spells of the patients taken. patients: of how many. not_counted: spells left out, by reason."""

    rows: pl.DataFrame
    patients: int
    not_counted: Mapping[str, int]


def model_spells(
    registry: Registry, *, every_session: bool, as_of: date | None = None, most_patients: int = MOST_PATIENTS
) -> ModelSpells:
    """Spells of patients first operated on here: from the first session here, or from every session here.

    The sample, where one is taken, goes by a digest of the patient's key, so it is the same each time and knows
    nothing of outcomes.
    """
    values = shared_values(registry.settings, as_of) | {
        "every_session": every_session,
        "from_number": None,
        "to_number": None,
        "most_patients": most_patients,
    }
    carried = "session_key, start_on, number_here,"
    texts = shared_texts(()) | {"chosen": "true", "group_definitions": "", "groups": carried}
    with kept(registry, "model_spell", (*SESSION_HERE, "start", "spell_here", "model_spell"), values, texts):
        reasons = dict(rows(registry, (), "select reason, count(*) from model_spell group by all", values).rows())
        patients = rows(
            registry, (), "select count(distinct patient_key) from model_spell where reason is null", values
        ).item()
        taken = rows(
            registry,
            (),
            "from model_spell where reason is null "
            "qualify dense_rank() over (order by md5(patient_key), patient_key) <= $most_patients "
            "order by md5(patient_key), patient_key, number_here",
            values,
        )
    return ModelSpells(
        taken, patients, {reason: reasons[reason] for reason in NOT_COUNTED_REASONS if reason in reasons}
    )
