"""Commands for what was agreed after looking at the figures: add, list, close."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from registry.store import open_registry

from ._app import RegistryOption, app, command, say
from ._intake import ReceivedByOption, login

group = typer.Typer(
    name="agreed-actions",
    help="What was agreed after looking at the figures: who does it, by when, and what came of it.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

_WIDTH = 80
_Day = typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="Today if left out.")


@command("add", group)
def add(
    words: Annotated[str, typer.Argument(metavar="WORDS", help="What is to be done, in a sentence.")],
    owner: Annotated[str, typer.Option(metavar="ROLE", help="Whose task it is: a role, never a name.")],
    due: Annotated[datetime, typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="By when.")],
    about: Annotated[str, typer.Option(metavar="WORDS", help="What it concerns, such as a measure or site.")] = "",
    agreed: Annotated[datetime | None, _Day] = None,
    registry: RegistryOption = Path("."),
    recorded_by: ReceivedByOption = None,
) -> None:
    """Write down what was agreed. It stands in every audit until it is closed."""
    from pipelines.agreed_actions import add_action

    with open_registry(registry, read_only=False) as opened:
        action = add_action(
            opened,
            words=words,
            owner=owner,
            due_on=due.date(),
            agreed_on=_day(agreed),
            about=about,
            recorded_by=recorded_by or login(),
        )
    say(f"Action {action.action_id}, due on {action.due_on}, is written down.")


@command("list", group)
def list_actions(
    registry: RegistryOption = Path("."),
    everything: Annotated[bool, typer.Option("--all", help="Also those that are closed.")] = False,
    on: Annotated[datetime | None, _Day] = None,
) -> None:
    """List what was agreed: open actions, the first due first; those overdue are marked."""
    from pipelines.agreed_actions import OUTCOMES, agreed_actions

    day = _day(on)
    with open_registry(registry) as opened:
        known = agreed_actions(opened)
    shown = [action for action in known if everything or action.is_open(day)]
    for action in sorted(shown, key=lambda action: (action.closed_on is not None, action.due_on, action.action_id)):
        if action.closed_on is not None:
            state = f"closed on {action.closed_on}: {OUTCOMES[action.outcome or '']}"
        else:
            state = f"due on {action.due_on}" + (", overdue" if action.is_overdue(day) else "")
        about = f" ({action.about})" if action.about else ""
        say(fill(f"{action.action_id}. {action.words}{about}", _WIDTH, subsequent_indent="   "))
        say(fill(f"{action.owner}; agreed on {action.agreed_on}; {state}.", _WIDTH, initial_indent="   "))
    if not shown:
        say("No action is open." if known else "No action has been agreed yet.")


@command("close", group)
def close(
    number: Annotated[int, typer.Argument(metavar="N", help="Its number, as list shows it.")],
    outcome: Annotated[str, typer.Option(metavar="CODE", help="done, not_needed, replaced or not_done.")] = "done",
    closed: Annotated[datetime | None, _Day] = None,
    registry: RegistryOption = Path("."),
    recorded_by: ReceivedByOption = None,
) -> None:
    """Close an action. What was agreed stays written down."""
    from pipelines.agreed_actions import OUTCOMES, close_action

    with open_registry(registry, read_only=False) as opened:
        action = close_action(
            opened, number, outcome=outcome, closed_on=_day(closed), recorded_by=recorded_by or login()
        )
    say(f"Action {action.action_id} is closed: {OUTCOMES[outcome]}.")


def _day(given: datetime | None) -> date:
    return given.date() if given else date.today()
