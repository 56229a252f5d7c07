"""What a cohort is: whom it takes, whom it leaves out, from when and until when its patients are looked at."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from registry.definition import PATIENT
from registry.errors import GraftledgerError
from registry.settings import Settings

from ..groups import Chosen, choose

NAME_PATTERN = r"[a-z][a-z0-9_-]{0,39}"
INDEX_DATE = "day of the patient's first session at this practice"
FOLLOW_UP_END = "the day to which the site declares its records complete, the death or the last day given: the first"
OUTCOMES = (
    "next session at this practice (table gaps)",
    "growth of placed grafts (table graft_counts)",
    "how long numbness, swelling, crusts and shedding last (table durations)",
)
RESEARCH = PATIENT.field("consent_scope").codes.names[0]  # type: ignore[union-attr]
"""The one answer to consent_scope with which a patient goes into an export."""


@dataclass(frozen=True)
class CohortDefinition:
    """Whom a cohort takes. Conditions on a session are judged at the first one here, the index session.

    where: fields with the values that are taken; all must hold. exclude: fields with values that are left out.
    since, until: first and last day of the index session. first_here: only those never operated on elsewhere before.
    followed_to: what happened, or became known, later is ignored; None takes all that the registry holds.
    """

    where: tuple[tuple[str, tuple[str, ...]], ...] = ()
    exclude: tuple[tuple[str, tuple[str, ...]], ...] = ()
    since: date | None = None
    until: date | None = None
    first_here: bool = False
    followed_to: date | None = None

    def as_dict(self) -> dict[str, Any]:
        """The definition as JSON can hold it, with what is the same for all cohorts said in words."""
        days = {name: day and day.isoformat() for name, day in asdict(self).items() if name in _DAYS}
        return {
            "where": {name: list(values) for name, values in self.where},
            "exclude": {name: list(values) for name, values in self.exclude},
            "first_here": self.first_here,
            **days,
            "consent": f"consent_scope is {RESEARCH}",
            "index_date": INDEX_DATE,
            "follow_up_end": FOLLOW_UP_END,
            "outcomes": list(OUTCOMES),
        }

    def to_json(self) -> str:
        """The same text for the same definition."""
        return json.dumps(self.as_dict(), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> CohortDefinition:
        """A definition as it was stored."""
        stored = json.loads(text)
        days = {name: date.fromisoformat(stored[name]) if stored[name] else None for name in _DAYS}
        return cls(_sorted(stored["where"]), _sorted(stored["exclude"]), first_here=stored["first_here"], **days)

    def taken(self, settings: Settings) -> Chosen:
        """The conditions to meet, checked. Raises: GraftledgerError as `choose`."""
        return choose(settings, dict(self.where), since=self.since, until=self.until)

    def left_out(self, settings: Settings) -> Chosen:
        """The conditions that exclude, checked. Raises: GraftledgerError as `choose`."""
        return choose(settings, dict(self.exclude))


_DAYS = ("since", "until", "followed_to")


def define(
    settings: Settings,
    *,
    where: Mapping[str, Sequence[str]] | None = None,
    exclude: Mapping[str, Sequence[str]] | None = None,
    since: date | None = None,
    until: date | None = None,
    first_here: bool = False,
    followed_to: date | None = None,
) -> CohortDefinition:
    """A definition, checked against the fields and values that there are; values bind, they never become SQL.

    Raises: GraftledgerError for an unknown field or value (naming the nearest), or days out of order.
    """
    made = CohortDefinition(_sorted(where), _sorted(exclude), since, until, first_here, followed_to)
    made.taken(settings)
    made.left_out(settings)
    if followed_to and since and followed_to < since:
        raise GraftledgerError("Follow-up would end before the first index session. Give a later day.")
    return made


def _sorted(conditions: Mapping[str, Sequence[str]] | None) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return tuple((name, tuple(sorted(set(values)))) for name, values in sorted((conditions or {}).items()))


def check_name(name: str) -> None:
    """Refuse a name that would not do as a file's name too. Raises: GraftledgerError."""
    if not re.fullmatch(NAME_PATTERN, name):
        raise GraftledgerError(
            "That is no name for a cohort. Write 1 to 40 of a-z, 0-9, - and _, a letter first, such as strip-2015."
        )
