"""Accounts: their passwords, one-time links, second step, and the wait after failed attempts to sign in."""

from __future__ import annotations

import re
import secrets
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from hashlib import sha256
from pathlib import Path
from threading import BoundedSemaphore
from typing import TYPE_CHECKING

from registry.errors import Fault, GraftledgerError

from .access import Role
from .state import now, open_state, stamp, writing

if TYPE_CHECKING:
    from argon2 import PasswordHasher

LINK_VALID = timedelta(hours=72)
SHORTEST_PASSWORD, LONGEST_PASSWORD = 12, 256
FAILURES_FREE = 5
FIRST_WAIT, LONGEST_WAIT = timedelta(seconds=30), timedelta(hours=1)
_FAILURES_KEPT = timedelta(days=1)
GUESSED_FIRST = (
    "graftledger", "director", "surgeon", "researcher", "manager", "registry", "hair", "clinic", "practice",
    "password", "passwort", "passw0rd", "p@ssword", "letmein", "welcome", "iloveyou", "monkey", "dragon", "football",
    "qwerty", "qwertz", "azerty", "asdfgh", "zxcvbn", "abcdef", "abc123", "123456789", "12345678", "1234567", "123456",
    "12345", "1234", "admin",
)  # fmt: skip
"""Words that count nothing in a password; the name of the account is another. Recalled, no source."""
LEFT_OVER = 8
"""Signs that a password must have without them."""
_STEP_SECONDS = 30
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9._-]{1,31}")
_AT_ONCE = BoundedSemaphore(2)
"""Each hash takes 64 MiB on purpose: a flood of attempts must not take the machine's memory."""


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


def digest(token: str) -> str:
    """What is kept of a token that is long and random."""
    return sha256(token.encode("utf-8")).hexdigest()


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
    hashed = _hashed(checked_password(password, name))
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
            [hashed, digest(token), account_id],
        )
        state.execute("delete from sessions where account_id = ?", [account_id])
        state.execute("delete from failed_sign_ins where name = ?", [name])


def change_password(folder: Path, account_id: int, present: str, wanted: str, *, keep_session: str) -> None:
    """Change a password; all other sessions of the account end. Raises: GraftledgerError, as `use_link`."""
    with open_state(folder) as state:
        row = state.execute("select * from accounts where account_id = ?", [account_id]).fetchone()
    if not confirm_password(folder, account_id, present):
        raise GraftledgerError(Fault("the present password is another one.", field="present"))
    hashed = _hashed(checked_password(wanted, row["name"]))
    with writing(folder) as state:
        state.execute("update accounts set password_hash = ? where account_id = ?", [hashed, account_id])
        _end_others(state, account_id, keep_session)


def checked_password(password: str, name: str) -> str:
    """The password. Raises: GraftledgerError where it is too short, too long or easily guessed."""
    faults = []
    rest = re.sub("|".join(map(re.escape, (name, *GUESSED_FIRST))), "", password, flags=re.IGNORECASE)
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        faults.append(f"a password has {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} signs; four words will do.")
    elif len(set(password)) < 5 or password.isdigit():
        faults.append("this password is easily guessed: more different signs, please.")
    elif len(rest) < LEFT_OVER:
        faults.append("little is left of this password without what is guessed first, such as names and 12345.")
    if faults:
        raise GraftledgerError(*(Fault(words, field="password") for words in faults))
    return password


def sign_in(folder: Path, name: str, password: str, code: str, at: datetime | None = None) -> int:
    """The account that name, password and, where one is set up, code of the second step belong to.

    After five failures for a name each further attempt must wait, twice as long as the one before: 30 seconds up to an
    hour. An attempt that comes too early is not looked at. The words never tell which part was wrong.
    Raises: GraftledgerError where any of it is wrong, or it is too early.
    """
    moment, name = at or now(), name.strip()[:64]
    wait = _seconds_to_wait(folder, name, moment)
    if wait:
        minutes = -(-wait // 60)
        raise GraftledgerError(
            f"After several failed attempts this name must wait. Try again in {minutes} "
            f"minute{'' if minutes == 1 else 's'}."
        )
    with open_state(folder) as state:
        row = state.execute("select * from accounts where name = ? and disabled_at is null", [name]).fetchone()
    known = row is not None and row["password_hash"] is not None
    matches = _verify(row["password_hash"] if known else _nobody(), password) and known
    if matches and row["totp_secret"] is not None:
        matches = _code_fits(folder, row["account_id"], code, moment)
    with writing(folder) as state:
        if not matches:
            _note_failure(state, name, moment)
        else:
            state.execute("delete from failed_sign_ins where name = ?", [name])
            state.execute(
                "update accounts set last_signed_in_at = ? where account_id = ?", [stamp(moment), row["account_id"]]
            )
    if not matches:
        raise GraftledgerError("Name, password or code is wrong.")
    return int(row["account_id"])


def _seconds_to_wait(folder: Path, name: str, moment: datetime) -> int:
    with open_state(folder) as state:
        row = state.execute("select locked_until from failed_sign_ins where name = ?", [name]).fetchone()
    if row is None or row["locked_until"] is None:
        return 0
    return max(0, int((datetime.fromisoformat(row["locked_until"]) - moment).total_seconds()))


def _note_failure(state: sqlite3.Connection, name: str, moment: datetime) -> None:
    state.execute("delete from failed_sign_ins where last_at < ?", [stamp(moment - _FAILURES_KEPT)])
    state.execute(
        "insert into failed_sign_ins (name, failures, last_at) values (?, 1, ?) "
        "on conflict (name) do update set failures = failures + 1, last_at = excluded.last_at",
        [name, stamp(moment)],
    )
    failures = state.execute("select failures from failed_sign_ins where name = ?", [name]).fetchone()["failures"]
    if failures >= FAILURES_FREE:
        wait = min(LONGEST_WAIT, FIRST_WAIT * 2 ** min(failures - FAILURES_FREE, 10))
        state.execute("update failed_sign_ins set locked_until = ? where name = ?", [stamp(moment, ahead=wait), name])


def confirm_password(folder: Path, account_id: int, password: str) -> bool:
    """Whether this is the account's password: asked again before something that counts. A failure counts as one."""
    moment = now()
    with open_state(folder) as state:
        row = state.execute("select name, password_hash from accounts where account_id = ?", [account_id]).fetchone()
    if _seconds_to_wait(folder, row["name"], moment):
        raise GraftledgerError("After several failed attempts this name must wait. Try again later.")
    if _verify(row["password_hash"], password):
        return True
    with writing(folder) as state:
        _note_failure(state, row["name"], moment)
    return False


def offer_totp_secret(folder: Path, session: str) -> str:
    """A new secret for the second step, to be typed into an authenticator; kept with the session until it is proved."""
    import pyotp

    secret = pyotp.random_base32()
    with open_state(folder) as state:
        state.execute("update sessions set offered_totp = ? where token_hash = ?", [secret, session])
    return secret


def offered_totp_secret(folder: Path, session: str) -> str:
    """The secret offered to a session last; empty where none was."""
    with open_state(folder) as state:
        row = state.execute("select offered_totp from sessions where token_hash = ?", [session]).fetchone()
    return str(row["offered_totp"] or "") if row else ""


def totp_address(secret: str, name: str, practice: str) -> str:
    """The same as an address, which some authenticators take."""
    import pyotp

    return pyotp.TOTP(secret).provisioning_uri(name=name, issuer_name=practice)


def turn_on_second_step(folder: Path, account_id: int, session: str, code: str) -> None:
    """Ask for a code at each sign-in from now on.

    Raises: GraftledgerError where the code does not fit the secret offered to the session, or none was.
    """
    import pyotp

    secret = offered_totp_secret(folder, session)
    if not secret or not pyotp.TOTP(secret).verify(code.strip(), valid_window=1):
        raise GraftledgerError(Fault("this code does not fit the key.", field="code", mend="Is the clock right?"))
    with writing(folder) as state:
        state.execute(
            "update accounts set totp_secret = ?, totp_last_step = 0 where account_id = ?", [secret, account_id]
        )
        state.execute("update sessions set offered_totp = null where token_hash = ?", [session])
        _end_others(state, account_id, session)


def turn_off_second_step(folder: Path, account_id: int, session: str) -> None:
    """Ask for no code any more; other sessions of the account end."""
    with writing(folder) as state:
        state.execute("update accounts set totp_secret = null where account_id = ?", [account_id])
        _end_others(state, account_id, session)


def end_sessions(folder: Path, name: str) -> None:
    """End all sessions of an account."""
    with writing(folder) as state:
        state.execute("delete from sessions where account_id = ?", [_id_of(state, name)])


def end_other_sessions(folder: Path, account_id: int, session: str) -> None:
    """End all sessions of an account but one."""
    with open_state(folder) as state:
        _end_others(state, account_id, session)


def _end_others(state: sqlite3.Connection, account_id: int, session: str) -> None:
    state.execute("delete from sessions where account_id = ? and token_hash <> ?", [account_id, session])


def _code_fits(folder: Path, account_id: int, code: str, moment: datetime) -> bool:
    """Whether a code is that of this half minute or of one beside it, and was not used before."""
    import pyotp

    with writing(folder) as state:
        row = state.execute(
            "select totp_secret, totp_last_step from accounts where account_id = ?", [account_id]
        ).fetchone()
        totp, step = pyotp.TOTP(row["totp_secret"]), int(moment.timestamp()) // _STEP_SECONDS
        for near in (step - 1, step, step + 1):
            if near > row["totp_last_step"] and secrets.compare_digest(
                totp.at(near * _STEP_SECONDS).encode(), code.strip().encode()
            ):
                state.execute("update accounts set totp_last_step = ? where account_id = ?", [near, account_id])
                return True
    return False


@cache
def _hasher() -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def _nobody() -> str:
    """A hash that no password fits: an unknown name takes as long as a known one."""
    return _hashed(secrets.token_urlsafe(32))


def _hashed(password: str) -> str:
    with _AT_ONCE:
        return _hasher().hash(password)


def _verify(hashed: str, password: str) -> bool:
    from argon2.exceptions import VerificationError

    with _AT_ONCE:
        try:
            return len(password) <= LONGEST_PASSWORD and _hasher().verify(hashed, password)
        except VerificationError:
            return False
