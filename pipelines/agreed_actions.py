"""What the practice agreed to do after looking at its figures: who, by when, and what came of it.

Nothing is ever changed: an action is written down once, and closing it is a line of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from registry.changes import last_intake_id, transaction
from registry.errors import Fault, GraftledgerError
from registry.store import Registry, has_table

if TYPE_CHECKING:
    from .identifiers import IdentifierKind

LONGEST_WORDS, LONGEST_ROLE = 300, 60

OUTCOMES: Mapping[str, str] = {
    "done": "done",
    "not_needed": "no longer needed",
    "replaced": "replaced by another action",
    "not_done": "given up",
}
"""How an action may be closed, and how to say it."""


@dataclass(frozen=True)
class AgreedAction:
    """An action.

    about: what it concerns, such as a measure or a site. owner: a role, never a name.
    closed_on, outcome: empty while it is open. outcome: see OUTCOMES.
    """

    action_id: int
    agreed_on: date
    about: str
    words: str
    owner: str
    due_on: date
    closed_on: date | None = None
    outcome: str | None = None

    def is_open(self, on: date) -> bool:
        """Whether it was agreed by that day, and not closed by then."""
        return self.agreed_on <= on and (self.closed_on is None or self.closed_on > on)

    def is_overdue(self, on: date) -> bool:
        """Whether it was open on that day, and its due day had passed."""
        return self.is_open(on) and self.due_on < on


def add_action(
    registry: Registry, *, words: str, owner: str, due_on: date, agreed_on: date, about: str = "", recorded_by: str
) -> AgreedAction:
    """Write an action down.

    Raises: GraftledgerError, naming everything at fault, where a text is missing, too long or may identify somebody,
    or it is due before it was agreed.
    """
    texts = {"action": " ".join(words.split()), "owner": " ".join(owner.split()), "about": " ".join(about.split())}
    limits = {"action": LONGEST_WORDS, "owner": LONGEST_ROLE, "about": LONGEST_ROLE}
    faults = [fault for name, text in texts.items() for fault in _faults(name, text, limits[name])]
    if due_on < agreed_on:
        faults.append(Fault("the action is due before it was agreed.", field="due", mend="Check both days."))
    if faults:
        raise GraftledgerError(*faults)
    with transaction(registry.connection):
        number = int(
            registry.connection.execute("select coalesce(max(action_id), 0) + 1 from agreed_action").fetchall()[0][0]
        )
        registry.connection.execute(
            "insert into agreed_action values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                number,
                agreed_on,
                texts["about"],
                texts["action"],
                texts["owner"],
                due_on,
                *_record(registry),
                recorded_by,
            ],
        )
    return next(action for action in agreed_actions(registry) if action.action_id == number)


def close_action(
    registry: Registry, action_id: int, *, outcome: str, closed_on: date, recorded_by: str
) -> AgreedAction:
    """Close an action.

    Raises: GraftledgerError where there is none of that number, it is closed already, or the outcome or day is wrong.
    """
    known = {action.action_id: action for action in agreed_actions(registry)}
    action = known.get(action_id)
    if action is None:
        hint = f"Known: 1 to {max(known)}." if known else "None has been agreed yet."
        raise GraftledgerError(f"There is no action {action_id}. {hint}")
    if action.closed_on is not None:
        raise GraftledgerError(f"Action {action_id} was closed on {action.closed_on} already.")
    if outcome not in OUTCOMES:
        raise GraftledgerError(f"'{outcome}' is no outcome. Choose {', '.join(OUTCOMES)}.")
    if closed_on < action.agreed_on:
        raise GraftledgerError(f"Action {action_id} was agreed on {action.agreed_on}; it cannot be closed before.")
    with transaction(registry.connection):
        registry.connection.execute(
            "insert into agreed_action_closing values (?, ?, ?, ?, ?, ?)",
            [action_id, closed_on, outcome, *_record(registry), recorded_by],
        )
    return next(action for action in agreed_actions(registry) if action.action_id == action_id)


def agreed_actions(registry: Registry) -> tuple[AgreedAction, ...]:
    """Every action by its number; shown as of an earlier intake, those written down before the next one."""
    if not has_table(registry.connection, "agreed_action"):
        return ()
    found = registry.connection.execute(
        """
        select a.action_id, agreed_on, about, words, owner, due_on, closed_on, outcome
        from agreed_action as a
        left join agreed_action_closing as c
            on c.action_id = a.action_id and c.intake_id <= coalesce($until, c.intake_id)
        where a.intake_id <= coalesce($until, a.intake_id)
        order by a.action_id
        """,
        {"until": registry.as_of_intake},
    ).fetchall()
    return tuple(AgreedAction(*row) for row in found)


def _record(registry: Registry) -> list[object]:
    """After which event it was written down, and when."""
    return [last_intake_id(registry.connection), datetime.now(UTC).replace(tzinfo=None, microsecond=0)]


def _faults(name: str, text: str, longest: int) -> list[Fault]:
    if not text and name != "about":
        return [Fault("is missing.", field=name)]
    faults = []
    if len(text) > longest:
        faults.append(Fault(f"is longer than {longest} letters.", field=name, mend="Say it shorter."))
    if text and (kind := _identifier_in(text)):
        faults.append(
            Fault(f"looks as if it held {kind.value}.", field=name, mend="Name roles and codes, never people.")
        )
    return faults


def _identifier_in(text: str) -> IdentifierKind | None:
    import polars as pl

    from .identifiers.classify import classified

    return classified(pl.Series([text])).get(text)
