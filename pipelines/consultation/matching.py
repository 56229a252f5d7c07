"""Who is like the patient of a consultation, and how the group widens where it is too small."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from registry.definition import record_type
from registry.errors import Fault, GraftledgerError
from registry.settings import Settings
from registry.store import Registry

from ..groups import Chosen, choose, session_size

OLDEST = 110


@dataclass(frozen=True)
class Profile:
    """What is known of a patient before a session. stage: with its scale, such as `norwood_hamilton III`."""

    age_years: int
    sex: str | None = None
    stage: str | None = None
    technique: str | None = None
    grafts: int | None = None


@dataclass(frozen=True)
class Match:
    """A group of past patients. where: the conditions. given_up: what the patient and the group do not share."""

    where: Mapping[str, tuple[str, ...]]
    given_up: tuple[str, ...]
    chosen: Chosen


def matches(settings: Settings, profile: Profile) -> tuple[Match, ...]:
    """Groups like the patient, the narrowest first: the first that is large enough is taken.

    What is given up, one after the other: the size of the session, the stage, the technique, the sex, then age, first
    to the neighbouring bands and last altogether. The order is common practice, no source: it keeps longest what,
    by general knowledge, next sessions depend on most. A band at the end of the list has one neighbour.
    Raises: GraftledgerError for an age that cannot be, or a value that its field does not have.
    """
    lowest = int(record_type("patient").field("age_at_first_surgery_years").low or 0)
    if not lowest <= profile.age_years <= OLDEST:
        raise GraftledgerError(f"The age must be {lowest} to {OLDEST} years. Give the age at the first surgery.")
    if profile.grafts is not None and profile.grafts < 1:
        raise GraftledgerError("The number of grafts must be 1 or more.")
    place = sum(edge <= profile.age_years for edge in settings.age_edges)
    bands = settings.age_bands
    own: dict[str, tuple[str, ...]] = {
        "session_size": (session_size(profile.grafts),) if profile.grafts is not None else (),
        "pattern_stage": (profile.stage,) if profile.stage else (),
        "technique": (profile.technique,) if profile.technique else (),
        "sex": (profile.sex,) if profile.sex else (),
        "age_band": (bands[place],),
    }
    where = {name: values for name, values in own.items() if values}
    steps = [dict(where)]
    for name in [name for name in where if name != "age_band"]:
        steps.append({kept: values for kept, values in steps[-1].items() if kept != name})
    steps.append({"age_band": tuple(bands[max(0, place - 1) : place + 2])})
    steps.append({})
    return tuple(
        Match(step, tuple(name for name in where if step.get(name) != where[name]), choose(settings, step))
        for step in steps
    )


def profile_of(registry: Registry, patient_key: str, age_years: int | None = None) -> Profile:
    """The profile of a patient of the registry, with the technique of the last session.

    age_years: takes the place of what is recorded.
    Raises: GraftledgerError where there is no such patient, or the age is not recorded.
    """
    found = registry.connection.execute(
        """
        select p.age_at_first_surgery_years, p.sex, p.pattern_scale, p.pattern_stage, s.technique
        from patient p
        left join session s on s.patient_key = p.patient_key and s.technique is not null
        where p.patient_key = ?
        order by s.session_number desc nulls last limit 1
        """,
        [patient_key],
    ).fetchall()
    if not found:
        raise GraftledgerError(Fault("the registry has no patient of this key.", mend="Check the key, or give --age."))
    recorded, sex, scale, stage, technique = found[0]
    age = recorded if age_years is None else age_years
    if age is None:
        raise GraftledgerError(
            Fault(
                "the age at the first surgery is not recorded.", field="age_at_first_surgery_years", mend="Give --age."
            )
        )
    known = scale is not None and stage is not None
    return Profile(int(age), sex, f"{scale} {stage}" if known else None, technique)
