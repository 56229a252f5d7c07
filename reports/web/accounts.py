"""Accounts: who has one, and the one-time links by which passwords are chosen."""

from __future__ import annotations

import re
import secrets
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from registry.errors import Fault, GraftledgerError

from .access import Role
from .passwords import checked_password, hashed
from .sessions import end_others
from .sign_in import require_password
from .state import digest, open_state, stamp, writing

LINK_VALID = timedelta(hours=72)
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9._-]{1,31}")


@dataclass(frozen=True)
class Account:
    """An account as the state holds it, without its secrets. has_password: whether its link was used."""

    account_id: int
    name: str
    role: Role
    surgeon_code: str | None
    levels: tuple[str, ...]
    has_password: bool
    has_second_step: bool
    created_at: str
    last_signed_in_at: str | None
    disabled_at: str | None


def add_account(
    folder: Path,
    name: str,
    role: Role,
    *,
    surgeon_code: str | None = None,
    surgeons: Sequence[str] = (),
    levels: Sequence[str] = (),
) -> str:
    """Make an account and return the token of its one-time link, through which its owner chooses a password.

    surgeon_code: whose results it may see; one of `surgeons`, for role surgeon alone. levels: of exports, for role
    researcher alone; none lets nothing out.
    Raises: GraftledgerError where the name is taken or malformed, or code or levels do not fit the role.
    """
    from pipelines.exports import Level, level_named

    if not _NAME.fullmatch(name):
        raise GraftledgerError(
            Fault(
                "a name is a letter followed by 1 to 31 letters, digits, '.', '-' or '_'.",
                field="name",
                mend="Take a login or initials rather than a full name.",
            )
        )
    if (surgeon_code is not None) is not (role is Role.SURGEON):
        raise GraftledgerError(
            Fault("an account of role surgeon is bound to one surgeon code, and no other is.", field="surgeon")
        )
    if surgeon_code is not None and surgeon_code not in surgeons:
        raise GraftledgerError(
            Fault("no such surgeon code in the settings.", field="surgeon", mend=f"Known: {', '.join(surgeons)}.")
        )
    if levels and role is not Role.RESEARCHER:
        raise GraftledgerError(Fault("only an account of role researcher is granted levels of exports.", field="level"))
    granted = [level_named(level) for level in levels]
    if Level.INTERNAL in granted:
        raise GraftledgerError(
            Fault(
                "exports at level internal hold codes of surgeons, which a researcher never sees.",
                field="level",
                mend="Grant limited or anonymous; the director makes internal ones.",
            )
        )
    with writing(folder) as state:
        try:
            state.execute(
                "insert into accounts (name, role, surgeon_code, levels, created_at) values (?, ?, ?, ?, ?)",
                [name, role, surgeon_code, " ".join(dict.fromkeys(granted)), stamp()],
            )
        except sqlite3.IntegrityError:
            raise GraftledgerError(Fault("an account of this name is there already.", field="name")) from None
        return _new_link(state, _id_of(state, name))


def new_link(folder: Path, name: str, *, drops_second_step: bool = False) -> str:
    """A new one-time link for a forgotten password or a disabled account; links before it no longer work.

    drops_second_step: whether using it turns the second step off, for a lost authenticator.
    """
    with writing(folder) as state:
        return _new_link(state, _id_of(state, name), drops_second_step)


def _new_link(state: sqlite3.Connection, account_id: int, drops_second_step: bool = False) -> str:
    token = secrets.token_urlsafe(32)
    state.execute("delete from links where account_id = ?", [account_id])
    state.execute(
        "insert into links (token_hash, account_id, expires_at, drops_second_step) values (?, ?, ?, ?)",
        [digest(token), account_id, stamp(ahead=LINK_VALID), drops_second_step],
    )
    return token


def _id_of(state: sqlite3.Connection, name: str) -> int:
    row = state.execute("select account_id from accounts where name = ?", [name]).fetchone()
    if row is None:
        raise GraftledgerError(Fault("there is no account of this name.", field="name", mend="List them first."))
    return int(row["account_id"])


def accounts(folder: Path) -> list[Account]:
    """All accounts, by name."""
    with open_state(folder) as state:
        return [_account(row) for row in state.execute("select * from accounts order by name")]


def _account(row: sqlite3.Row) -> Account:
    return Account(
        row["account_id"],
        row["name"],
        Role(row["role"]),
        row["surgeon_code"],
        tuple(row["levels"].split()),
        row["password_hash"] is not None,
        row["totp_secret"] is not None,
        row["created_at"],
        row["last_signed_in_at"],
        row["disabled_at"],
    )


def disable_account(folder: Path, name: str) -> None:
    """Take an account out of use, with its sessions and links. What it did stays in the log."""
    with writing(folder) as state:
        account_id = _id_of(state, name)
        state.execute(
            "update accounts set disabled_at = coalesce(disabled_at, ?) where account_id = ?", [stamp(), account_id]
        )
        state.execute("delete from sessions where account_id = ?", [account_id])
        state.execute("delete from links where account_id = ?", [account_id])


def end_sessions(folder: Path, name: str) -> None:
    """End all sessions of an account."""
    with writing(folder) as state:
        state.execute("delete from sessions where account_id = ?", [_id_of(state, name)])


def link_owner(folder: Path, token: str) -> str | None:
    """The account's name of a link that can still be used."""
    with open_state(folder) as state:
        row = state.execute(
            "select name from links join accounts using (account_id) "
            "where token_hash = ? and used_at is null and expires_at > ?",
            [digest(token), stamp()],
        ).fetchone()
    return str(row["name"]) if row else None


def use_link(folder: Path, token: str, password: str) -> None:
    """Set the password of a link's account, which ends its sessions and its wait, and use the link up.

    Raises: GraftledgerError where the link was used, is too old or unknown, or the password will not do.
    """
    name = link_owner(folder, token)
    if name is None:
        raise GraftledgerError(
            Fault(
                "this link was used before or is too old.",
                mend="Ask for a new one: graftledger accounts link NAME.",
            )
        )
    kept = hashed(checked_password(password, name))
    with writing(folder) as state:
        used = state.execute(
            "update links set used_at = ? where token_hash = ? and used_at is null", [stamp(), digest(token)]
        )
        if used.rowcount != 1:
            raise GraftledgerError("this link was used before.")
        account_id = _id_of(state, name)
        state.execute(
            "update accounts set password_hash = ?, disabled_at = null, "
            "totp_secret = iif((select drops_second_step from links where token_hash = ?), null, totp_secret) "
            "where account_id = ?",
            [kept, digest(token), account_id],
        )
        state.execute("delete from sessions where account_id = ?", [account_id])
        state.execute("delete from failed_sign_ins where name = ?", [name])


def change_password(folder: Path, account_id: int, present: str, wanted: str, *, keep_session: str) -> None:
    """Change a password; all other sessions of the account end. Raises: GraftledgerError, as `use_link`."""
    with open_state(folder) as state:
        row = state.execute("select * from accounts where account_id = ?", [account_id]).fetchone()
    require_password(folder, account_id, present)
    kept = hashed(checked_password(wanted, row["name"]))
    with writing(folder) as state:
        state.execute("update accounts set password_hash = ? where account_id = ?", [kept, account_id])
        end_others(state, account_id, keep_session)
