"""The command-line application: options common to all commands, and how a refusal is shown."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Annotated, Any, ParamSpec, TypeVar
from unicodedata import category

import typer
from typer.core import TyperGroup

from registry.errors import GraftledgerError

P = ParamSpec("P")
R = TypeVar("R")

BY_TASK = (
    # begin
    "demo", "start", "templates", "dictionary", "mapping", "pseudonymise",
    # records come in
    "intake", "intake-report", "held-back", "declare-activity", "status", "verify",
    # the director
    "audit", "audit-diff", "agreed-actions", "visits-due", "contact-list", "case-mix", "outlier-reviews",
    # the surgeon
    "consultation-sheet", "expectations", "benchmark", "cases-needed",
    # all of them, in a browser
    "serve", "accounts",
    # figures and research
    "figures", "model", "cohort", "export", "exports", "counts", "write-parquet",
    # keeping
    "merge-patients", "erase-patient", "backup", "restore", "encryption", "read-link-table", "synthesise",
)  # fmt: skip
"""The commands in the order in which `--help` lists them."""


class _ByTask(TyperGroup):
    """Commands as they are used, not as their modules happen to be loaded."""

    def list_commands(self, ctx: Any) -> list[str]:
        return sorted(self.commands, key=lambda name: BY_TASK.index(name) if name in BY_TASK else len(BY_TASK))


app = typer.Typer(
    cls=_ByTask,
    name="graftledger",
    help="A long-term registry of de-identified hair-restoration cases.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

RegistryOption = Annotated[
    Path, typer.Option("--registry", metavar="DIR", help="Registry folder; the current folder if left out.")
]

AsOfIntakeOption = Annotated[
    int | None,
    typer.Option("--as-of-intake", metavar="N", help="Show the registry as it was after an earlier intake."),
]


def command(name: str, group: typer.Typer = app) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Register a command, of the application or a group of it, whose refusals are plain words and exit code 1."""

    def register(function: Callable[P, R]) -> Callable[P, R]:
        @wraps(function)
        def guarded(*args: P.args, **kwargs: P.kwargs) -> R:
            try:
                return function(*args, **kwargs)
            except GraftledgerError as refusal:
                for fault in refusal.faults:
                    note(str(fault))
                raise typer.Exit(1) from None

        group.command(name)(guarded)
        return function

    return register


def erased_words(erasures: int) -> str:
    """What to say where an earlier state is shown that is no longer whole."""
    patients = "1 patient was" if erasures == 1 else f"{erasures:,} patients were"
    return f"{patients} erased since then, so this is not to the byte what was shown at that time."


def say(text: str = "") -> None:
    """Print a line for the user on standard output."""
    print(harmless(text))  # noqa: T201


def note(text: str) -> None:
    """Print a line for the user on standard error, so that a pipe carries results alone."""
    print(harmless(text), file=sys.stderr)  # noqa: T201


def harmless(text: str) -> str:
    """The text without signs that a terminal would obey: control characters, and marks that turn the direction.

    >>> harmless("site\\x1b[2J A\\n")
    'site?[2J A\\n'
    """
    if text.isprintable():
        return text
    return "".join("?" if category(sign)[0] == "C" and sign not in "\n\t" else sign for sign in text)
