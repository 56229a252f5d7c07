"""Which encoding a text file is written in, and a refusal where that cannot be told.

A byte order mark settles it. Without one, a file whose bytes are UTF-8 is UTF-8: other encodings practically never
look like it by chance. What is left is taken for Windows-1252, the common choice of spreadsheet programs in western
Europe and America, which contains the letters of Latin-1, unless its bytes speak for another one: letters that
Windows-1254 (Turkish) has elsewhere, or signs inside words, as files of old DOS and Macintosh programs show them.
Then the file is refused until somebody says what it is. Frequencies of letters are not used: they guess, and the
texts of a registry (codes, keys, dates) are too short for a guess.

A wrong choice among the encodings of one byte a letter could not change a record: it would show another letter in a
column name or in a site's own code, for which the mapping then finds no translation.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from hashlib import sha256
from io import IncrementalNewlineDecoder
from itertools import chain
from pathlib import Path

from registry import Fault, GraftledgerError

BLOCK_BYTES = 4 * 2**20
SAVE_AS_UTF_8 = "Save it as CSV in UTF-8."

_TEXT_ENCODING = re.compile(r"utf-(8|8-sig|16|16-le|16-be)|cp(437|7\d\d|8\d\d|125\d)|iso8859-\d+|mac-[a-z]+|koi8-[a-z]")
_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_LETTER = rb"[A-Za-z\xc0-\xd6\xd8-\xf6\xf8-\xff]"
_UTF_8_LETTER = re.compile(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}")
_NOT_WINDOWS_1252 = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")
_TURKISH = re.compile(rb"[\xd0\xdd\xde\xf0\xfd\xfe]")
_SIGNS_IN_WORDS = re.compile(
    rb"%(letter)b[\x80\x82-\x85\x8b\x91\x93\x94\x99\x9b\xa4]%(letter)b"
    rb"|%(letter)b[\x83\x86-\x8a\x8e\x95\x98\x9a\x9e\x9f]|[\x83\x86-\x8a\x8e\x95\x98\x9a\x9e\x9f]%(letter)b"
    % {b"letter": _LETTER}
)
_HINTS = (_UTF_8_LETTER, _NOT_WINDOWS_1252, _TURKISH, _SIGNS_IN_WORDS)


def hash_of(path: Path) -> str:
    """The SHA-256 of the file."""
    digest = sha256()
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


def known_encoding(name: str) -> str:
    """The name by which Python knows an encoding of text files.

    Raises: GraftledgerError where there is none of that name.
    """
    try:
        found = codecs.lookup(name).name
    except (LookupError, ValueError):
        found = ""
    if not _TEXT_ENCODING.fullmatch(found):
        raise GraftledgerError(
            "That is not an encoding of text files. Write its usual name, such as utf-8, windows-1252 or windows-1254."
        )
    return found


def detect_encoding(path: Path, label: str) -> str:
    """The encoding of a text file without asking anybody.

    Raises: GraftledgerError where it is no text or the encoding cannot be told.
    """
    with path.open("rb") as file:
        start = file.read(4)
    if start in (codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE):
        raise GraftledgerError(Fault("the file is written in UTF-32.", label, mend=SAVE_AS_UTF_8))
    for mark, encoding in _MARKS:
        if start.startswith(mark):
            return encoding
    broken_line = _first_line_not_utf_8(path, label)
    if broken_line is None:
        return "utf-8"
    found = {pattern for block in _line_blocks(path) for pattern in _HINTS if pattern.search(block)}
    if _UTF_8_LETTER in found:
        raise GraftledgerError(
            Fault(
                "some characters are written in UTF-8 and others are not; the file may be damaged.",
                label,
                row=broken_line or None,
                mend=SAVE_AS_UTF_8,
            )
        )
    if found:
        likely = "windows-1254" if found == {_TURKISH} else "cp850 or mac-roman"
        raise GraftledgerError(
            Fault(
                "the encoding cannot be told: the file is neither UTF-8 nor plainly Windows-1252.",
                label,
                row=broken_line or None,
                mend=f"{SAVE_AS_UTF_8} Or write in the mapping which it is, for example {likely}.",
            )
        )
    return "windows-1252"


def _line_blocks(path: Path) -> Iterator[bytes]:
    """Blocks that end with a line, so that no sign is torn apart."""
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            yield block + file.readline(BLOCK_BYTES)


def _first_line_not_utf_8(path: Path, label: str) -> int | None:
    """Lines before the first byte that is not UTF-8; None where all are. Raises: GraftledgerError for binary files."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    bytes_before = 0
    broken_at: int | None = None
    for block in chain(_line_blocks(path), [b""]):
        if b"\0" in block:
            raise not_text(label)
        is_plain = block.isascii() and not decoder.getstate()[0]
        if broken_at is None and not is_plain:
            try:
                decoder.decode(block, final=not block)
            except UnicodeDecodeError as error:
                broken_at = bytes_before + min(error.start, len(block))
        bytes_before += len(block)
    return None if broken_at is None else _lines_before(path, broken_at)


def _lines_before(path: Path, position: int) -> int:
    """Line feeds before a byte of a file."""
    lines = 0
    with path.open("rb") as file:
        while position and (block := file.read(min(BLOCK_BYTES, position))):
            lines += block.count(b"\n")
            position -= len(block)
    return lines


def not_text(label: str) -> GraftledgerError:
    return GraftledgerError(Fault("this is not a text file.", label, mend=SAVE_AS_UTF_8))


def text_blocks(path: Path, encoding: str, label: str) -> Iterator[str]:
    """The text of a file in blocks, every line end a line feed.

    Raises: GraftledgerError naming the row where a character is not of the encoding, or where it is no text.
    """
    decoder = IncrementalNewlineDecoder(codecs.getincrementaldecoder(encoding)(), translate=True)
    lines_before = 0
    with path.open("rb") as file:
        final = False
        while not final:
            block = file.read(BLOCK_BYTES)
            final = not block
            try:
                text = decoder.decode(block, final=final)
            except UnicodeError as error:
                line = lines_before + block.count(b"\n", 0, getattr(error, "start", 0))
                raise GraftledgerError(
                    Fault(f"a character is not written in {encoding}.", label, row=line or None, mend=SAVE_AS_UTF_8)
                ) from None
            if "\0" in text:
                raise not_text(label)
            lines_before += text.count("\n")
            if text:
                yield text
