"""The practice's secret key: made once, kept at the practice, the same at all its sites."""

from __future__ import annotations

import base64
import binascii
import hmac
import itertools
import secrets
from dataclasses import dataclass, field
from pathlib import Path

from registry import Fault, GraftledgerError
from registry.private_files import read_private_line, write_private

KEY_BYTES = 32
_FEWEST_DISTINCT_BYTES = 16
_MAKE_ONE = "Make one with `graftledger pseudonymise --make-key FILE`."


@dataclass(frozen=True)
class PracticeKey:
    """A secret key of at least 32 random bytes. Never printed."""

    material: bytes = field(repr=False)

    @property
    def fingerprint(self) -> str:
        """Eight characters by which two sites can tell that they use the same key; they say nothing of the key."""
        return hmac.digest(self.material, b"graftledger key fingerprint 1", "sha256").hex()[:8]


def make_key_file(path: Path) -> PracticeKey:
    """Write a new random key into a new file that only its owner may read.

    Raises: GraftledgerError where the file exists already or cannot be written.
    """
    key = PracticeKey(secrets.token_bytes(KEY_BYTES))
    write_private(path, lambda file: file.write(base64.urlsafe_b64encode(key.material).rstrip(b"=") + b"\n"))
    return key


def read_key_file(path: Path) -> PracticeKey:
    """The key of a file made by `make_key_file`.

    Raises: GraftledgerError where the file is open to others, holds no key, or one that could be guessed.
    """
    line = read_private_line(path, "key")
    try:
        material = base64.b64decode(line + "=" * (-len(line) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise GraftledgerError(Fault("the file holds no key.", str(path), mend=_MAKE_ONE)) from None
    weakness = weakness_of(material)
    if weakness:
        raise GraftledgerError(Fault(f"the key is weak: {weakness}.", str(path), mend=_MAKE_ONE))
    return PracticeKey(material)


def weakness_of(material: bytes) -> str | None:
    """Why a key could be guessed; None where it shows no sign of it.

    A random key of 32 bytes fails here once in more than a million million times (by hand: fewer than 16 distinct
    bytes among 32, or printable throughout, which is (95/256)**32).

    >>> weakness_of(bytes(32)), weakness_of(b"short")
    ('it repeats a pattern', 'it has fewer than 32 bytes')
    """
    if len(material) < KEY_BYTES:
        return f"it has fewer than {KEY_BYTES} bytes"
    if any(
        material == (material[:period] * len(material))[: len(material)] for period in range(1, len(material) // 2 + 1)
    ):
        return "it repeats a pattern"
    if len({(after - before) % 256 for before, after in itertools.pairwise(material)}) == 1:
        return "its bytes are a sequence"
    if all(32 <= byte < 127 for byte in material):
        return "it is text"
    if len(set(material)) < _FEWEST_DISTINCT_BYTES:
        return "it has too few different bytes"
    return None
