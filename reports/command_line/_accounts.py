"""Commands for the accounts of the web application: add, list, link, sign-out, disable."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ._app import RegistryOption, app, command, note, say
from ._setup import split_codes

group = typer.Typer(
    name="accounts",
    help="Who may use the web application, and as what.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)


@command("add", group)
def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Login or initials, not a full name.")],
    role: Annotated[str, typer.Option(metavar="ROLE", help="director, surgeon, researcher or data-manager.")],
    surgeon: Annotated[
        str | None, typer.Option(metavar="CODE", help="Surgeon code whose results it may see; for role surgeon.")
    ] = None,
    levels: Annotated[
        str, typer.Option(metavar="limited,anonymous", help="Levels of exports; for role researcher.")
    ] = "",
    registry: RegistryOption = Path("."),
) -> None:
    """Make an account and print the one-time link by which its owner chooses a password."""
    from registry import open_registry

    from ..web.access import Role
    from ..web.accounts import add_account
    from ..web.state import prepare_state

    with open_registry(registry) as opened:
        surgeons = opened.settings.surgeons
    prepare_state(registry)
    token = add_account(
        registry, name, Role.named(role), surgeon_code=surgeon, surgeons=surgeons, levels=split_codes(levels)
    )
    say(f"Account {name} is made.")
    _tell_link(token)


@command("link", group)
def link(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Of the account.")],
    registry: RegistryOption = Path("."),
    without_second_step: Annotated[
        bool,
        typer.Option("--without-second-step", help="Using it turns the second step off: for one that is lost."),
    ] = False,
) -> None:
    """Print a new one-time link, for a forgotten password or a disabled account."""
    from ..web.accounts import new_link
    from ..web.state import prepare_state

    prepare_state(_checked(registry))
    _tell_link(new_link(registry, name, drops_second_step=without_second_step))


@command("sign-out", group)
def sign_out(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Of the account.")],
    registry: RegistryOption = Path("."),
) -> None:
    """End all sessions of an account at once; it may sign in again."""
    from ..web.accounts import end_sessions
    from ..web.state import prepare_state

    prepare_state(_checked(registry))
    end_sessions(registry, name)
    say(f"The sessions of {name} have ended.")


@command("disable", group)
def disable(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Of the account.")],
    registry: RegistryOption = Path("."),
) -> None:
    """Take an account out of use at once. What it did stays in the log of access."""
    from ..web.accounts import disable_account
    from ..web.state import prepare_state

    prepare_state(_checked(registry))
    disable_account(registry, name)
    say(f"Account {name} is disabled; its sessions have ended.")


@command("list", group)
def list_(registry: RegistryOption = Path(".")) -> None:
    """List the accounts: role, what they are bound to, when they last signed in."""
    from ..web.accounts import accounts
    from ..web.state import prepare_state

    prepare_state(_checked(registry))
    found = accounts(registry)
    if not found:
        say("There is no account yet. The first start of graftledger serve makes a link for a director.")
        return
    say(f"{'name':<17}{'role':<13}{'bound to':<21}{'last signed in':<17}{'state'}")
    for one in found:
        state = "disabled" if one.disabled_at else "open" if one.has_password else "link unused"
        seen = one.last_signed_in_at[:16].replace("T", " ") if one.last_signed_in_at else "never"
        bound = one.surgeon_code or ",".join(one.levels) or "-"
        say(f"{one.name[:16]:<17}{one.role:<13}{bound[:20]:<21}{seen:<17}{state}")


def _checked(registry: Path) -> Path:
    from registry import open_registry

    with open_registry(registry):
        return registry


def _tell_link(token: str) -> None:
    say(f"Its one-time link, for three days, below the address that graftledger serve prints: /welcome/{token}")
    note("Whoever has the link has the account: pass it on by a way that you trust.")
