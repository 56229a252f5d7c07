"""What "time to the next session" can mean, each named and said in one sentence."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from registry.errors import GraftledgerError

from ..measures import NEXT_SESSION_ANYWHERE, NEXT_SESSION_FROM_FIRST, NEXT_SESSION_PROBABILITY


@dataclass(frozen=True)
class Estimand:
    """One meaning. sentence: what is estimated, of whom, until when. steps: the SQL steps that make its spells."""

    name: str
    sentence: str
    measure: str
    method: str
    steps: tuple[str, ...]


HERE = Estimand(
    "here",
    "The share of patients first operated on here who have had a next session here, whatever happens elsewhere; seen "
    "to the day up to which the site declares its records complete, or death.",
    NEXT_SESSION_PROBABILITY,
    "kaplan_meier_loglog",
    ("start", "spell_here"),
)
ANYWHERE = Estimand(
    "anywhere",
    "The share of patients first operated on here who have had a next session here or elsewhere; one elsewhere is seen "
    "only to the last contact that no session prompted.",
    NEXT_SESSION_ANYWHERE,
    "two_source_incidence_loglog",
    ("start", "contact", "asked", "answers", "elsewhere", "known_end", "spell_anywhere"),
)
FROM_FIRST = Estimand(
    "from-first",
    "Sensitivity only: the share who have had a next session here since their first surgery anywhere, seen from "
    "their enrolment on; those who enrolled for a session are left out.",
    NEXT_SESSION_FROM_FIRST,
    "kaplan_meier_loglog",
    ("spell_from_first",),
)
ESTIMANDS: Mapping[str, Estimand] = {estimand.name: estimand for estimand in (HERE, ANYWHERE, FROM_FIRST)}

COMPETING: Mapping[str, str] = {
    "death": "The share of patients first operated on here who have had a next session here, and of those who died "
    "before one; whoever died has no session any more, so both shares and those still waiting add up to all.",
    "reason": "The share of patients first operated on here whose next session here was for each reason, and of those "
    "who died before one; each rules the others out, so a stage that was planned is no sign of thinning.",
}
"""What may rule a next session out, and what is then told."""
FURTHER_SESSIONS_SENTENCE = (
    "Further sessions here per patient first operated on here, on average, the dead counting as having no more; half a "
    "session may be one in two patients with one, or one in ten with five."
)

ENROLLED_FOR_SESSION_DAYS = 90
"""A first session here so soon after enrolment is what the patient enrolled for. Common practice, no source."""


@dataclass(frozen=True)
class SessionNumber:
    """Which sessions the time runs from, counted in the patient's life. last: None for all later ones too."""

    first: int
    last: int | None

    @property
    def label(self) -> str:
        return f"{self.first}" if self.last == self.first else f"{self.first}+"


def session_number(text: str) -> SessionNumber:
    """Read a session number: `2`, or `3+` for the third and all later ones.

    Raises: GraftledgerError for anything else.

    >>> session_number("3+").label, session_number("2").last
    ('3+', 2)
    """
    if not re.fullmatch(r"[1-9][0-9]?\+?", text):
        raise GraftledgerError(f"'{text}' is no session number. Write 1, 2, or 3+ for the third and later ones.")
    first = int(text.rstrip("+"))
    return SessionNumber(first, None if text.endswith("+") else first)


def sentence_of(meta: Mapping[str, Any]) -> str | None:
    """What figures of the time to the next session tell, in one sentence, from what was asked.

    >>> sentence_of({"analysis": "complications"}) is None
    True
    """
    if meta.get("analysis") == "further-sessions":
        return FURTHER_SESSIONS_SENTENCE
    if meta.get("competing") in COMPETING:
        return COMPETING[meta["competing"]]
    return ESTIMANDS[meta["estimand"]].sentence if meta.get("estimand") in ESTIMANDS else None
