"""The fields by which figures may be split, and every group that then has to be shown."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import product
from typing import Any

from registry._ddl import enumeration, quoted
from registry.definition import ELSEWHERE, Field, Kind, record_type
from registry.definition.codes import LUDWIG_STAGES, NORWOOD_STAGES
from registry.errors import GraftledgerError, nearest
from registry.milestones import Milestone
from registry.settings import Settings

from .figure import NOT_COUNTED_REASONS

NOT_RECORDED = "not recorded"
MOST_FIELDS = 2

_KNOWN_LATER = ("last_contact_reason", "status_at_last_contact")
"""Fields that describe how follow-up ended. To split by them would sort patients by their future."""
_SESSION_FIRST = ("site_code",)
"""Fields that both records have: the session's is taken."""


_SIZE_EDGES = (1000, 2000, 3000)
SESSION_SIZES = ("under 1000", "1000-1999", "2000-2999", "3000 and over")
"""Bands of grafts in a session: common practice, no source."""
_SIZE_SQL = " ".join(
    [
        "case",
        *(
            f"when s.grafts_total < {edge} then '{size}'"
            for edge, size in zip(_SIZE_EDGES, SESSION_SIZES, strict=False)
        ),
        f"when s.grafts_total is not null then '{SESSION_SIZES[-1]}' end",
    ]
)


def session_size(grafts: int) -> str:
    """The band of a number of grafts.

    >>> session_size(2200), session_size(999)
    ('2000-2999', 'under 1000')
    """
    return SESSION_SIZES[sum(edge <= grafts for edge in _SIZE_EDGES)]


@dataclass(frozen=True)
class GroupField:
    """One field to split by.

    sql: expression over `p` (patient) and `s` (session).
    values: every value there is, in the order to show them; None where only those found are shown.
    of_session: whether it is the session that has it, not the patient.
    """

    name: str
    label: str
    sql: str
    values: tuple[str, ...] | None
    of_session: bool = False


@dataclass(frozen=True)
class Chosen:
    """Whose sessions an analysis looks at.

    where: fields with the values that are taken, all of which must hold. since, until: first and last day of surgery.
    """

    where: tuple[tuple[GroupField, tuple[str, ...]], ...] = ()
    since: date | None = None
    until: date | None = None

    def as_dict(self) -> dict[str, Any]:
        """What was chosen as JSON can hold it; empty where everybody was."""
        days = {"since": self.since, "until": self.until}
        return {
            **({"where": {field.name: list(values) for field, values in self.where}} if self.where else {}),
            **{name: day.isoformat() for name, day in days.items() if day},
        }


EVERYBODY = Chosen()


def group_fields(settings: Settings) -> dict[str, GroupField]:
    """Every field that a figure may be split by: the coded fields of patient and session, and four derived ones."""
    fields = [
        GroupField(
            "age_band",
            "Age at first surgery",
            "if(p.age_at_first_surgery_years is null, null, "
            "$age_bands[1 + len(list_filter($age_edges, lambda edge: edge <= p.age_at_first_surgery_years))])",
            settings.age_bands,
        ),
        GroupField("session_number", "Session number", "s.session_number::varchar", None, of_session=True),
        GroupField("session_size", "Grafts in the session", _SIZE_SQL, SESSION_SIZES, of_session=True),
        GroupField("year", "Year of session", "year(s.performed_on)::varchar", None, of_session=True),
    ]
    for alias, name in (("p", "patient"), ("s", "session")):
        fields += [
            _coded(alias, field, settings)
            for field in record_type(name).fields
            if field.kind in (Kind.CODE, Kind.SITE, Kind.SURGEON)
            and field.name not in _KNOWN_LATER
            and not (alias == "p" and field.name in _SESSION_FIRST)
        ]
    return {field.name: field for field in fields}


_RECORDS = {
    "p": "left join patient p on p.patient_key = b.patient_key",
    "s": "left join session s on s.session_key = b.session_key",
}
"""How the records come beside the step `session_base`, by the alias that stands for them."""
_ALIAS = re.compile(r"\b([ps])\.")


def shared_values(settings: Settings, as_of: date | None, chosen: Chosen = EVERYBODY) -> dict[str, Any]:
    """The values that the steps common to all analyses bind."""
    return {
        "as_of": as_of,
        "elsewhere": ELSEWHERE,
        "age_bands": list(settings.age_bands),
        "age_edges": list(settings.age_edges),
        **chosen_values(chosen),
    }


def milestone_values(milestones: Sequence[Milestone]) -> dict[str, Any]:
    """The values of the step `milestone`."""
    return {
        "milestones": [each.name for each in milestones],
        "dues": [each.due for each in milestones],
        "opens_at": [each.opens for each in milestones],
        "closes_at": [each.closes for each in milestones],
    }


def chosen_fields(by: Sequence[str], settings: Settings) -> tuple[GroupField, ...]:
    """The fields of those names.

    Raises: GraftledgerError for a name that is no such field (naming the nearest), one given twice, or more than two.
    """
    known = group_fields(settings)
    for name in by:
        if name not in known:
            raise GraftledgerError(f"Figures cannot be split by '{name}'. {nearest(name, list(known))}")
    if len(set(by)) != len(by):
        raise GraftledgerError("A field to split by stands twice. Name it once.")
    if len(by) > MOST_FIELDS:
        raise GraftledgerError(f"Figures are split by at most {MOST_FIELDS} fields, or groups become too small.")
    return tuple(known[name] for name in by)


def shared_texts(fields: Sequence[GroupField], chosen: Chosen = EVERYBODY) -> dict[str, str]:
    """What the steps take as text: the group columns, where they are made and passed on, who is chosen, and
    the reasons for not being counted, as a type.

    group_records: the records that groups and choice are read from; nothing where there are none.

    >>> texts = shared_texts((GroupField("f", "F", "p.f", None),))
    >>> texts["group_definitions"], texts["groups"], texts["chosen"]
    ("coalesce(p.f, 'not recorded') as group_1,", 'group_1,', 'true')
    >>> texts["group_records"]
    'left join patient p on p.patient_key = b.patient_key'
    """
    columns = group_columns(fields)
    made = [f"{_recorded(field)} as {column}," for field, column in zip(fields, columns, strict=True)]
    definitions, who = " ".join(made), _chosen_sql(chosen)
    read = set(_ALIAS.findall(f"{definitions} {who}"))
    return {
        "group_definitions": definitions,
        "group_records": "\n".join(join for alias, join in _RECORDS.items() if alias in read),
        "groups": " ".join(f"{column}," for column in columns),
        "chosen": who,
        "reasons": enumeration(NOT_COUNTED_REASONS),
    }


def _recorded(field: GroupField) -> str:
    return f"coalesce({field.sql}, '{NOT_RECORDED}')"


def _chosen_sql(chosen: Chosen) -> str:
    """A predicate over `p` and `s`: whose sessions are looked at."""
    parts = [f"list_contains($where_{number}, {_recorded(field)})" for number, (field, _) in enumerate(chosen.where)]
    if chosen.since:
        parts.append("s.performed_on >= $since")
    if chosen.until:
        parts.append("s.performed_on <= $until")
    return " and ".join(parts) or "true"


def chosen_values(chosen: Chosen) -> dict[str, Any]:
    """The values that the predicate binds."""
    named = {f"where_{number}": list(values) for number, (_, values) in enumerate(chosen.where)}
    return {**named, "since": chosen.since, "until": chosen.until}


def choose(
    settings: Settings,
    where: Mapping[str, Sequence[str]] | None = None,
    *,
    since: date | None = None,
    until: date | None = None,
) -> Chosen:
    """The sessions to look at: by the values of fields that a figure may be split by, and by their day.

    where: field to the values that are taken; `not recorded` is one. since, until: first and last day of surgery.
    Raises: GraftledgerError for an unknown field or value (naming the nearest), no value, or dates out of order.
    """
    known = group_fields(settings)
    conditions = []
    for name, values in (where or {}).items():
        if name not in known:
            raise GraftledgerError(f"Sessions cannot be chosen by '{name}'. {nearest(name, list(known))}")
        field = known[name]
        allowed = [*field.values, NOT_RECORDED] if field.values else None
        for value in values:
            if allowed and value not in allowed:
                raise GraftledgerError(f"{name} has no value '{value}'. {nearest(value, allowed)}")
        if not values:
            raise GraftledgerError(f"Give a value for {name}, such as {name}={(allowed or ['1'])[0]}.")
        conditions.append((field, tuple(values)))
    if since and until and since > until:
        raise GraftledgerError("The first day of surgery is after the last. Give them the other way round.")
    return Chosen(tuple(conditions), since, until)


def group_columns(fields: Sequence[GroupField]) -> list[str]:
    """Names of the group columns."""
    return [f"group_{number}" for number in range(1, len(fields) + 1)]


def all_groups(
    fields: Sequence[GroupField], found: Iterable[tuple[str, ...]], chosen: Chosen = EVERYBODY
) -> list[tuple[str, ...]]:
    """Every group to show: each value of each field with each of the other, also where nobody is in it.

    A field whose values are not listed anywhere shows those found; "not recorded" stands last where somebody is in it.
    Of a field by which sessions were chosen only the values chosen are shown.

    >>> all_groups((GroupField("f", "F", "p.f", ("a", "b")),), [("not recorded",), ("b",)])
    [('a',), ('b',), ('not recorded',)]
    """
    seen, taken = list(found), {field.name: values for field, values in chosen.where}
    values = [_values(field, {group[place] for group in seen}) for place, field in enumerate(fields)]
    return list(
        product(
            *(
                [value for value in shown if field.name not in taken or value in taken[field.name]]
                for field, shown in zip(fields, values, strict=True)
            )
        )
    )


def _values(field: GroupField, found: set[str]) -> list[str]:
    declared = list(field.values or ())
    others = found - set(declared) - {NOT_RECORDED}
    return [
        *declared,
        *sorted(others, key=lambda value: (not value.isdigit(), int(value) if value.isdigit() else 0, value)),
        *([NOT_RECORDED] if NOT_RECORDED in found else []),
    ]


def _coded(alias: str, field: Field, settings: Settings) -> GroupField:
    """A field of the definition with its codes."""
    column, of_session = f"{alias}.{quoted(field.name)}", alias == "s"
    if field.name == "pattern_stage":  # stage II is another thing on either scale
        stages = [f"norwood_hamilton {stage}" for stage in NORWOOD_STAGES] + [f"ludwig {s}" for s in LUDWIG_STAGES]
        return GroupField(field.name, field.label, f"p.pattern_scale || ' ' || {column}", tuple(stages))
    if field.kind is Kind.SITE:
        return GroupField(field.name, field.label, column, settings.sites, of_session)
    if field.kind is Kind.SURGEON:
        # harvest_by and placed_by are given only where they differ from the responsible surgeon
        sql = column if field.required else f"coalesce({column}, s.surgeon_code)"
        return GroupField(field.name, field.label, sql, settings.surgeons, of_session)
    assert field.codes is not None
    return GroupField(field.name, field.label, column, field.codes.names, of_session)
