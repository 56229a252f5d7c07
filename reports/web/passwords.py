"""Passwords: which will do, and how they are kept and checked."""

from __future__ import annotations

import re
import secrets
from functools import cache
from threading import BoundedSemaphore
from typing import TYPE_CHECKING

from registry.errors import Fault, GraftledgerError

if TYPE_CHECKING:
    from argon2 import PasswordHasher

SHORTEST_PASSWORD, LONGEST_PASSWORD = 12, 256
GUESSED_FIRST = (
    "graftledger", "director", "surgeon", "researcher", "manager", "registry", "hair", "clinic", "practice",
    "password", "passwort", "passw0rd", "p@ssword", "letmein", "welcome", "iloveyou", "monkey", "dragon", "football",
    "qwerty", "qwertz", "azerty", "asdfgh", "zxcvbn", "abcdef", "abc123", "123456789", "12345678", "1234567", "123456",
    "12345", "1234", "admin",
)  # fmt: skip
"""Words that count nothing in a password; the name of the account is another. Recalled, no source."""
LEFT_OVER = 8
"""Signs that a password must have without them."""
_AT_ONCE = BoundedSemaphore(2)
"""Each hash takes 64 MiB on purpose: a flood of attempts must not take the machine's memory."""


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


def hashed(password: str) -> str:
    """What is kept of a password."""
    with _AT_ONCE:
        return _hasher().hash(password)


def verified(kept: str, password: str) -> bool:
    """Whether a password is that of which this was kept."""
    from argon2.exceptions import VerificationError

    with _AT_ONCE:
        try:
            return len(password) <= LONGEST_PASSWORD and _hasher().verify(kept, password)
        except VerificationError:
            return False


@cache
def hash_of_nobody() -> str:
    """A hash that no password fits: an unknown name takes as long as a known one."""
    return hashed(secrets.token_urlsafe(32))


@cache
def _hasher() -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher()
