"""The rows of the models, from the records: one a session that was assessed, with its outcome and its covariates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from registry.durations import months
from registry.milestones import MONTH_6, MONTH_12, Milestone, yearly
from registry.store import Registry

from .._queries import CONTACT, SESSION_HERE, kept, rows
from ..figure import NOT_COUNTED_REASONS
from ..groups import milestone_values, shared_texts, shared_values
from ..session_answers import kept_answers
from .outcomes import Outcome

MOST_PATIENTS = 100_000
"""Above this, a random sample of so many patients is taken: two cores fit it within minutes."""

SCAR_AT = Milestone("scar", "month 12", months(12), months(6), months(18))
"""A scar is judged from month 6, at the latest at month 18 (common practice, no source)."""
SCAR_VALUES = {"due": SCAR_AT.due, "opens": SCAR_AT.opens, "closes": SCAR_AT.closes}
RATED_AT = (MONTH_6, MONTH_12, yearly(2), yearly(3), yearly(5))
"""The milestones at which satisfaction is compared."""


@dataclass(frozen=True, eq=False)
class ModelSessions:
    """rows: those of the patients taken. patients: of how many. not_counted: sessions left out, by reason."""

    rows: pl.DataFrame
    patients: int
    not_counted: Mapping[str, int]


def complication_sessions(
    registry: Registry, outcome: Outcome, *, as_of: date | None = None, most_patients: int = MOST_PATIENTS
) -> ModelSessions:
    """Sessions assessed for a complication as `complications` assesses them; `had_event` tells the outcome."""
    asked = outcome.question
    with kept_answers(registry, shared_values(registry.settings, as_of), shared_texts(())):
        return judged_rows(registry, asked.steps, asked.days, asked.texts, most_patients)


def scar_sessions(
    registry: Registry, *, as_of: date | None = None, most_patients: int = MOST_PATIENTS
) -> ModelSessions:
    """Sessions that took a strip and nothing beside, with the width of the scar nearest to month 12, from month 6."""
    values = {**shared_values(registry.settings, as_of), **SCAR_VALUES}
    with kept_sessions(registry, as_of):
        return judged_rows(registry, (*CONTACT, "scar_judged"), values, {}, most_patients)


def satisfaction_ratings(
    registry: Registry, *, as_of: date | None = None, most_patients: int = MOST_PATIENTS
) -> ModelSessions:
    """Sessions once a milestone from month 6 on, with the rating nearest to it."""
    values = {**shared_values(registry.settings, as_of), **milestone_values(RATED_AT)}
    with kept_sessions(registry, as_of):
        return judged_rows(registry, (*CONTACT, "milestone", "satisfaction_judged"), values, {}, most_patients)


@contextmanager
def kept_sessions(registry: Registry, as_of: date | None) -> Iterator[None]:
    """Keep the sessions to be judged for the length of a `with` block."""
    steps = (*SESSION_HERE, "judged_session")
    with kept(registry, "judged_session", steps, shared_values(registry.settings, as_of), shared_texts(())):
        yield


def judged_rows(
    registry: Registry, steps: Sequence[str], values: Mapping[str, Any], texts: Mapping[str, str], most_patients: int
) -> ModelSessions:
    """The rows of the last step with their covariates, of whom it can be told; those of the others by reason.

    The sample, where one is taken, goes by a digest of the patient's key, so it is the same each time and knows
    nothing of outcomes.
    """
    named = {**texts, "groups": "s.session_key,", "judged": steps[-1]}
    with kept(registry, "session_covariate", (*steps, "session_covariate"), values, named):
        reasons = dict(rows(registry, (), "select reason, count(*) from session_covariate group by all", {}).rows())
        patients = rows(
            registry, (), "select count(distinct patient_key) from session_covariate where reason is null", {}
        ).item()
        taken = rows(
            registry,
            (),
            "from session_covariate where reason is null "
            "qualify dense_rank() over (order by md5(patient_key), patient_key) <= $most_patients",
            {"most_patients": most_patients},
        )
    keys = [name for name in ("patient_key", "session_key", "milestone") if name in taken.columns]
    return ModelSessions(
        taken.sort(keys), patients, {reason: reasons[reason] for reason in NOT_COUNTED_REASONS if reason in reasons}
    )
