"""Pseudonyms and date shifts: keyed hashes of chart numbers, which nobody without the key can compute or undo.

HMAC with SHA-256 (RFC 2104, FIPS 198-1) over a label for the purpose and the parts, each with its length in front, so
that no two purposes and no two lists of parts give the same message.
"""

from __future__ import annotations

import base64
import hmac
import unicodedata
from collections.abc import Sequence

from .practice_key import PracticeKey

PSEUDONYM_CHARACTERS = 22
"""Of 6 bits each after the letter in front: 132 bits. Among a million keys two agree with a probability of 1e-28
(n**2 / 2**133, the birthday bound)."""
MOST_DAYS_BACK = 364


def normalised(number: str) -> str:
    """A chart number as it is hashed: compatible characters made one (NFKC), no white space, no upper case.

    Leading zeros, hyphens and other signs count.

    >>> normalised(" AB 0012-3 "), normalised("ab0012-3"), normalised("AB12-3")
    ('ab0012-3', 'ab0012-3', 'ab12-3')
    """
    compatible = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", number).casefold())
    return unicodedata.normalize("NFKC", "".join(compatible.split()))


def pseudonym(key: PracticeKey, field_name: str, parts: Sequence[str]) -> str:
    """The key that stands for some parts in a field, such as the patient's number in patient_key.

    parts: normalised already. The same key, field and parts give the same text, at any time and site.
    Returns 23 characters of A-Z a-z 0-9 - _; the first is the first letter of the field's name, so that no program
    takes the text for a number or a formula.
    """
    digest = _keyed(key, f"pseudonym {field_name}", parts)
    return field_name[0] + base64.urlsafe_b64encode(digest).decode("ascii")[:PSEUDONYM_CHARACTERS]


def days_back(key: PracticeKey, number: str) -> int:
    """By how many days all dates of a patient move into the past: 1 to 364.

    Into the past only: a date moved forward could lie after the day of intake, which refuses dates in the future.
    """
    digest = _keyed(key, "date shift", [number])
    return int.from_bytes(digest[:16], "big") % MOST_DAYS_BACK + 1


def _keyed(key: PracticeKey, purpose: str, parts: Sequence[str]) -> bytes:
    message = bytearray()
    for text in ("graftledger 1", purpose, *parts):
        encoded = text.encode("utf-8", "surrogatepass")
        message += len(encoded).to_bytes(4, "big") + encoded
    return hmac.digest(key.material, bytes(message), "sha256")
