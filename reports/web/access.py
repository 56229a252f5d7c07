"""Who may do what. Every route names one task of this table; a route that names none cannot be made.

The check, the refusal and the line in the log of access are in one place, before a request's content is looked at.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, TypeVar

from registry.errors import Fault, GraftledgerError, nearest

F = TypeVar("F", bound=Callable[..., Any])


class Role(StrEnum):
    """What an account is for. An account has one; who has two tasks takes two accounts."""

    DIRECTOR = "director"
    SURGEON = "surgeon"
    RESEARCHER = "researcher"
    DATA_MANAGER = "data manager"

    @classmethod
    def named(cls, text: str) -> Role:
        """The role written so, with a space or a hyphen. Raises: GraftledgerError for another.

        >>> Role.named("data-manager").value
        'data manager'
        """
        wanted = text.strip().casefold().replace("-", " ")
        if wanted not in {role.value for role in cls}:
            raise GraftledgerError(
                Fault(f"no such role. {nearest(wanted, [role.value for role in cls])}", field="role")
            )
        return cls(wanted)


EVERYBODY = frozenset(Role)
D, S, R, M = Role.DIRECTOR, Role.SURGEON, Role.RESEARCHER, Role.DATA_MANAGER


@dataclass(frozen=True)
class Task:
    """A part of the application and who may use it.

    label, words: in the menu and on the first page; no label keeps it out of both. path: where it starts.
    roles: who may; None for those, too, who are not signed in.
    """

    name: str
    label: str
    path: str
    roles: frozenset[Role] | None
    words: str = ""


TASKS = (
    Task("records", "Records", "/records", frozenset({D, M}), "Take files in, and mend what was held back."),
    Task("quarter", "Quarter", "/quarter", frozenset({D}), "Read the audit of a quarter, comment on it and sign it."),
    Task("my-outcomes", "My outcomes", "/my-outcomes", frozenset({S}), "Your own results beside blinded peers."),
    Task("consultation", "Consultation", "/consultation", frozenset({D, S}), "A sheet for the talk with a patient."),
    Task("cohorts", "Cohorts", "/cohorts", frozenset({D, R}), "Choose cases for research and export them."),
    Task("visits-due", "Visits due", "/visits-due", frozenset({D, M}), "Who should be seen now, by site."),
    Task("expectations", "Expectations", "/expectations", frozenset({D, S, R}), "What patients are told, held "
         "against what happened."),
    Task("status", "Status and settings", "/status", frozenset({D, M}), "What the registry holds and how it is set."),
    Task("access-log", "Access log", "/access-log", frozenset({D}), "Who looked at what, and who was refused."),
    Task("jobs", "", "/jobs", EVERYBODY, "Work in the background; each account sees its own."),
    Task("home", "", "/", EVERYBODY, "The first page."),
    Task("account", "", "/account", EVERYBODY, "Own password and second step."),
    Task("public", "", "/sign-in", None, "Signing in, one-time links, style and script."),
)  # fmt: skip
"""The one table of roles; docs/web.md shows it and a test holds the two together.

The audit names surgeons by code, and lists of visits name patients of all surgeons: neither is for a surgeon. A page
of My outcomes is for that surgeon alone, so the director has none. A researcher gets what leaves the registry at the
levels granted, and figures of the practice as a whole.
"""


def task(name: str) -> Task:
    """The task of a name. Raises: ValueError where there is none."""
    for one in TASKS:
        if one.name == name:
            return one
    raise ValueError(f"no task {name}. {nearest(name, [one.name for one in TASKS])}")


@dataclass(frozen=True)
class Visitor:
    """Who asks. levels: of exports, granted to a researcher. csrf: what a form must send back.

    has_second_step: whether a code was asked for at signing in, or would be.
    """

    account_id: int
    name: str
    role: Role
    surgeon_code: str | None
    levels: tuple[str, ...]
    csrf: str
    session: str
    has_second_step: bool = False


class Refused(Exception):  # noqa: N818  (what happened, as the log calls it)
    """The role may use the page, but not see this. words: what was refused, for the log; no identifying value."""

    def __init__(self, words: str) -> None:
        self.words = words
        super().__init__(words)


@dataclass(frozen=True)
class Rule:
    """One route. what: in words, for the log of access. logged: whether a visit that is granted is written down.

    csrf_in: where a request that changes something carries its token, beside the header that htmx sends: in a field
    of the form, or, where the body is too large to be read first, in the address.
    """

    method: str
    path: str
    task: Task
    what: str
    logged: bool
    csrf_in: str
    largest_body: int


FORM_BYTES = 1_000_000
RULE = "graftledger_rule"
"""Name under which an endpoint carries its rule."""


class Pages:
    """The routes of one module: `pages = Pages()`, then `@pages.get(...)` over each function."""

    def __init__(self) -> None:
        self.endpoints: list[tuple[Rule, Callable[..., Any]]] = []

    def get(self, path: str, *, task: str, what: str, logged: bool = True) -> Callable[[F], F]:
        """A route that changes nothing."""
        return self._add("GET", path, task, what, logged)

    def post(
        self, path: str, *, task: str, what: str, csrf_in: str = "form", largest_body: int = FORM_BYTES
    ) -> Callable[[F], F]:
        """A route that changes something: it is refused without the token of the visitor's session."""
        return self._add("POST", path, task, what, True, csrf_in, largest_body)

    def _add(
        self,
        method: str,
        path: str,
        name: str,
        what: str,
        logged: bool,
        csrf_in: str = "form",
        largest_body: int = FORM_BYTES,
    ) -> Callable[[F], F]:
        rule = Rule(method, path, task(name), what, logged, csrf_in, largest_body)

        def add(function: F) -> F:
            setattr(function, RULE, rule)
            self.endpoints.append((rule, function))
            return function

        return add
