"""Signing in, and the wait after failed attempts."""

from __future__ import annotations

import sqlite3
from datetime import datetime, timedelta
from pathlib import Path

from registry.errors import Fault, GraftledgerError

from .passwords import hash_of_nobody, verified
from .second_step import code_fits
from .state import now, open_state, stamp, writing

FAILURES_FREE = 5
FIRST_WAIT, LONGEST_WAIT = timedelta(seconds=30), timedelta(hours=1)
_FAILURES_KEPT = timedelta(days=1)


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
    matches = verified(row["password_hash"] if known else hash_of_nobody(), password) and known
    if matches and row["totp_secret"] is not None:
        matches = code_fits(folder, row["account_id"], code, moment)
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


def confirm_password(folder: Path, account_id: int, password: str) -> bool:
    """Whether this is the account's password: asked again before something that counts. A failure counts as one."""
    moment = now()
    with open_state(folder) as state:
        row = state.execute("select name, password_hash from accounts where account_id = ?", [account_id]).fetchone()
    if _seconds_to_wait(folder, row["name"], moment):
        raise GraftledgerError("After several failed attempts this name must wait. Try again later.")
    if verified(row["password_hash"], password):
        return True
    with writing(folder) as state:
        _note_failure(state, row["name"], moment)
    return False


def require_password(folder: Path, account_id: int, present: str) -> None:
    """Ask for the password again. Raises: GraftledgerError where it is another one."""
    if not confirm_password(folder, account_id, present):
        raise GraftledgerError(Fault("the present password is another one.", field="present"))


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
