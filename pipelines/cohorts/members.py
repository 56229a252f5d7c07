"""Who is in a cohort, and at which step the others are left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from registry.definition import ELSEWHERE
from registry.store import Registry

from .._queries import KNOWN_SESSION, kept, rows
from ..groups import NOT_RECORDED, GroupField
from ..intake.counting import withdrawn_patients
from ..rounding import check_rounding, rounded
from .definition import RESEARCH, CohortDefinition

MEMBERS = "cohort_patient"
"""The temporary table of all patients; members are those that nothing leaves out."""


@dataclass(frozen=True)
class FlowStep:
    """One step: what it asks, how many patients it left out, and how many remain."""

    name: str
    excluded: int
    remaining: int


def cohort_flow(registry: Registry, definition: CohortDefinition) -> tuple[FlowStep, ...]:
    """How many patients each step leaves out, the first step being everybody in the registry.

    A patient is counted at the first step that is not met. Consent is asked last, so the step tells how many of those
    who would fit may not go into an export.
    """
    names = [name for name, _ in _steps(registry, definition)]
    with kept_members(registry, definition):
        found = rows(registry, (), f"select left_out_by, count(*) as n from {MEMBERS} group by all", {})
    counts = dict(found.iter_rows())
    remaining = sum(counts.values())
    flow = [FlowStep("In the registry", 0, remaining)]
    for number, name in enumerate(names):
        remaining -= counts.get(number, 0)
        flow.append(FlowStep(name, counts.get(number, 0), remaining))
    return tuple(flow)


def rounded_flow(flow: Sequence[FlowStep], to: int) -> tuple[FlowStep, ...]:
    """The same with rounded counts: who remain are rounded, and who was left out is the difference of two of these.

    Raises: GraftledgerError for counts that would be rounded to less than 0.
    """
    check_rounding(to)
    remaining = [rounded(step.remaining, to) for step in flow]
    before = [*remaining[:1], *remaining[:-1]]
    return tuple(
        FlowStep(step.name, earlier - now, now) for step, earlier, now in zip(flow, before, remaining, strict=True)
    )


@contextmanager
def kept_members(registry: Registry, definition: CohortDefinition) -> Iterator[None]:
    """Keep the temporary table `cohort_patient` for the length of a `with` block."""
    steps = _steps(registry, definition)
    leaves_out = " ".join(
        f"when not coalesce({predicate}, false) then {number}" for number, (_, predicate) in enumerate(steps)
    )
    values = member_values(registry, definition)
    with kept(registry, MEMBERS, (*KNOWN_SESSION, MEMBERS), values, {"leaves_out": leaves_out}):
        yield


def member_values(registry: Registry, definition: CohortDefinition) -> dict[str, Any]:
    """What the steps bind."""
    settings = registry.settings
    conditions = (*definition.taken(settings).where, *definition.left_out(settings).where)
    return {
        "as_of": definition.followed_to,
        "elsewhere": ELSEWHERE,
        "age_bands": list(settings.age_bands),
        "age_edges": list(settings.age_edges),
        "since": definition.since,
        "until": definition.until,
        "research": RESEARCH,
        "withdrawn": _withdrawn(registry),
        **{f"values_{number}": list(taken) for number, (_, taken) in enumerate(conditions)},
    }


def _withdrawn(registry: Registry) -> list[str]:
    """Keys of those who have withdrawn consent and are not erased yet, with all that were merged with them."""
    found = registry.connection.execute(
        """
        with recursive reached as (
            select unnest($keys::varchar[]) as key
            union
            select if(kept_key = key, other_key, kept_key)
            from reached
            join patient_merge on key in (kept_key, other_key) and undone_by_intake_id is null
        )
        select key from reached order by 1
        """,
        {"keys": list(withdrawn_patients(registry.connection))},
    ).fetchall()
    return [key for (key,) in found]


def _steps(registry: Registry, definition: CohortDefinition) -> list[tuple[str, str]]:
    """Each step's name, and the predicate over `p` and `s` that keeps a patient."""
    steps = [("A session at this practice", "s.session_key is not null")]
    if definition.first_here:
        steps.append(
            (
                "Never operated on elsewhere before",
                "coalesce(p.sessions_elsewhere, 0) = 0 and coalesce(s.first_number_here, 1) = 1",
            )
        )
    if definition.since:
        steps.append((f"First session here on {definition.since} or later", "s.performed_on >= $since"))
    if definition.until:
        steps.append((f"First session here on {definition.until} or earlier", "s.performed_on <= $until"))
    taken = definition.taken(registry.settings).where
    for number, (field, values) in enumerate(taken):
        steps.append((f"{field.label}: {', '.join(values)}", _holds(field, number)))
    for number, (field, values) in enumerate(definition.left_out(registry.settings).where, start=len(taken)):
        steps.append((f"{field.label} not: {', '.join(values)}", f"not {_holds(field, number)}"))
    consents = "p.consent_scope = $research and not list_contains($withdrawn, p.patient_key)"
    return [*steps, ("Consent to audit and research, not withdrawn", consents)]


def _holds(field: GroupField, number: int) -> str:
    return f"list_contains($values_{number}, coalesce({field.sql}, '{NOT_RECORDED}'))"
