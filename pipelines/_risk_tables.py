"""Risk tables of the next session, folded in the database: one row a group and day, whatever the number of patients."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Literal

import polars as pl

from registry.store import Registry

from ._queries import SESSION_HERE, kept, rows
from .groups import GroupField, shared_texts, shared_values

Estimand = Literal["here", "anywhere"]
ESTIMANDS: tuple[Estimand, ...] = ("here", "anywhere")
RISK_SCHEMA = dict.fromkeys(("day", "at_risk", "entered", "events", "censored"), pl.Int64)
"""The columns of a risk table, as `estimators.risk_table` gives them."""

_SPELLS: Mapping[Estimand, tuple[str, ...]] = {
    "here": ("start", "spell_here"),
    "anywhere": ("start", "asked", "answers", "elsewhere", "spell_anywhere"),
}


def risk_tables(
    registry: Registry, estimand: Estimand, fields: Sequence[GroupField], as_of: date | None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Two tables by group column, first_operated (here or elsewhere) and more.

    The first holds risk tables, one an ending (here or elsewhere): RISK_SCHEMA a day. The second holds patients n by
    reason, which is empty for those counted.
    """
    values = shared_values(registry.settings, as_of) | {
        "every_session": any(field.name == "session_number" for field in fields)
    }
    texts = shared_texts(fields) | {"spell": _SPELLS[estimand][-1]}
    with kept(registry, "spell_count", (*SESSION_HERE, *_SPELLS[estimand], "spell_count"), values, texts):
        risk = rows(registry, ("movement", "risk_day"), "from risk_day order by all", values, texts)
        patients = rows(registry, ("patient_count",), "from patient_count order by all", values, texts)
    return risk, patients
