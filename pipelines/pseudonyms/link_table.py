"""The table that links pseudonyms to chart numbers: written only on request, and only encrypted.

Layout: a line with the version, 16 bytes of salt, 12 of nonce, and the table as CSV under AES-256-GCM. The key comes
from the passphrase by scrypt (RFC 7914, N = 2**15, r = 8, p = 1).
"""

from __future__ import annotations

import hashlib
import io
import secrets
from pathlib import Path

import polars as pl

from registry import Fault, GraftledgerError
from registry.private_files import read_private_line, write_private

_VERSION = b"graftledger link table 1\n"
_SALT_BYTES, _NONCE_BYTES = 16, 12
_FEWEST_CHARACTERS, _FEWEST_DIFFERENT = 16, 8
_WORK, _BLOCK = 2**15, 8


def read_passphrase(path: Path) -> str:
    """The passphrase of a file that only its owner may read.

    Raises: GraftledgerError where the file is open to others, or the passphrase is short.
    """
    passphrase = read_private_line(path, "passphrase")
    if len(passphrase) < _FEWEST_CHARACTERS or len(set(passphrase)) < _FEWEST_DIFFERENT:
        raise GraftledgerError(
            Fault(
                "the passphrase is weak.",
                str(path),
                mend=f"Take at least {_FEWEST_CHARACTERS} characters, {_FEWEST_DIFFERENT} of them different: "
                "five or more random words, for example.",
            )
        )
    return passphrase


def write_link_table(path: Path, links: pl.DataFrame, passphrase: str) -> None:
    """Write the table encrypted into a new file that only its owner may read."""
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    text = io.BytesIO()
    links.write_csv(text)
    salt, nonce = secrets.token_bytes(_SALT_BYTES), secrets.token_bytes(_NONCE_BYTES)
    sealed = AESGCM(_stretched(passphrase, salt)).encrypt(nonce, text.getvalue(), _VERSION + salt)
    write_private(path, lambda file: file.write(_VERSION + salt + nonce + sealed))


def read_link_table(path: Path, passphrase: str) -> pl.DataFrame:
    """The table of a file written by `write_link_table`.

    Raises: GraftledgerError where the file is no link table, was changed, or the passphrase is another one.
    """
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    try:
        content = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "error").lower()
        raise GraftledgerError(Fault(f"the link table cannot be read ({reason}).", str(path))) from None
    if not content.startswith(_VERSION):
        raise GraftledgerError(Fault("this is no link table.", str(path)))
    rest = content[len(_VERSION) :]
    salt, nonce = rest[:_SALT_BYTES], rest[_SALT_BYTES : _SALT_BYTES + _NONCE_BYTES]
    try:
        text = AESGCM(_stretched(passphrase, salt)).decrypt(nonce, rest[_SALT_BYTES + _NONCE_BYTES :], _VERSION + salt)
    except (InvalidTag, ValueError):
        raise GraftledgerError(Fault("the passphrase is another one, or the file was changed.", str(path))) from None
    return pl.read_csv(text, infer_schema=False)


def _stretched(passphrase: str, salt: bytes) -> bytes:
    return hashlib.scrypt(passphrase.encode("utf-8"), salt=salt, n=_WORK, r=_BLOCK, p=1, maxmem=64 * 2**20, dklen=32)
