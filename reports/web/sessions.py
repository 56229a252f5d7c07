"""Sessions: kept on the server; the browser holds a random token, the state only its hash."""

from __future__ import annotations

import secrets
import sqlite3
from datetime import datetime, timedelta
from pathlib import Path

from .access import Role, Visitor
from .state import digest, now, open_state, stamp, writing

IDLE, LONGEST = timedelta(minutes=30), timedelta(hours=12)
_SEEN_EVERY = timedelta(minutes=1)


def start_session(folder: Path, account_id: int) -> str:
    """A new session; returns the token for the browser."""
    token, moment = secrets.token_urlsafe(32), now()
    with writing(folder) as state:
        state.execute(
            "delete from sessions where created_at < ? or last_seen_at < ?",
            [stamp(moment - LONGEST), stamp(moment - IDLE)],
        )
        state.execute(
            "insert into sessions (token_hash, account_id, csrf, created_at, last_seen_at) values (?, ?, ?, ?, ?)",
            [digest(token), account_id, secrets.token_urlsafe(32), stamp(moment), stamp(moment)],
        )
    return token


def visitor_of(folder: Path, token: str | None, at: datetime | None = None) -> Visitor | None:
    """Whose session it is; None where it is unknown, too old, idle for too long, or the account is disabled."""
    if not token:
        return None
    moment = at or now()
    with open_state(folder) as state:
        row = state.execute(
            "select * from sessions join accounts using (account_id) "
            "where token_hash = ? and disabled_at is null and sessions.created_at > ? and last_seen_at > ?",
            [digest(token), stamp(moment - LONGEST), stamp(moment - IDLE)],
        ).fetchone()
        if row is None:
            return None
        if row["last_seen_at"] < stamp(moment - _SEEN_EVERY):
            state.execute(
                "update sessions set last_seen_at = ? where token_hash = ?", [stamp(moment), row["token_hash"]]
            )
    return Visitor(
        row["account_id"],
        row["name"],
        Role(row["role"]),
        row["surgeon_code"],
        tuple(row["levels"].split()),
        row["csrf"],
        row["token_hash"],
        row["totp_secret"] is not None,
    )


def end_session(folder: Path, session: str) -> None:
    """End one session."""
    with open_state(folder) as state:
        state.execute("delete from sessions where token_hash = ?", [session])


def end_other_sessions(folder: Path, account_id: int, session: str) -> None:
    """End all sessions of an account but one."""
    with open_state(folder) as state:
        end_others(state, account_id, session)


def end_others(state: sqlite3.Connection, account_id: int, session: str) -> None:
    """The same within a change of the state."""
    state.execute("delete from sessions where account_id = ? and token_hash <> ?", [account_id, session])


def sessions_of(folder: Path, account_id: int) -> list[tuple[str, str, str]]:
    """The sessions of an account that can still be used: what is kept of the token, beginning, last visit."""
    moment = now()
    with open_state(folder) as state:
        rows = state.execute(
            "select token_hash, created_at, last_seen_at from sessions "
            "where account_id = ? and created_at > ? and last_seen_at > ? order by created_at",
            [account_id, stamp(moment - LONGEST), stamp(moment - IDLE)],
        ).fetchall()
    return [(row["token_hash"], row["created_at"], row["last_seen_at"]) for row in rows]


def tell(folder: Path, visitor: Visitor, words: str) -> None:
    """Words for the next page that this session shows, once."""
    with open_state(folder) as state:
        state.execute("update sessions set said = ? where token_hash = ?", [words, visitor.session])


def told(folder: Path, visitor: Visitor) -> str | None:
    """The words waiting for this session, which are then gone."""
    with open_state(folder) as state:
        row = state.execute("select said from sessions where token_hash = ?", [visitor.session]).fetchone()
        if row is None or row["said"] is None:
            return None
        state.execute("update sessions set said = null where token_hash = ?", [visitor.session])
    return str(row["said"])
