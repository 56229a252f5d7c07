"""The second step of signing in: a code from an authenticator, which works once."""

from __future__ import annotations

import secrets
from datetime import datetime
from pathlib import Path

from registry.errors import Fault, GraftledgerError

from .sessions import end_others
from .state import open_state, writing

_STEP_SECONDS = 30


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
        end_others(state, account_id, session)


def turn_off_second_step(folder: Path, account_id: int, session: str) -> None:
    """Ask for no code any more; other sessions of the account end."""
    with writing(folder) as state:
        state.execute("update accounts set totp_secret = null where account_id = ?", [account_id])
        end_others(state, account_id, session)


def code_fits(folder: Path, account_id: int, code: str, moment: datetime) -> bool:
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
