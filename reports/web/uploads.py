"""Files that a browser sends: taken piece by piece into a folder of their own, looked at before anything reads them.

The name that comes with a file is never a path: it is reduced to one plain name, for messages and for the patterns of a
mapping. What a file is, its first bytes tell. How large its content is when unpacked is asked before it is unpacked.
"""

from __future__ import annotations

import os
import re
import shutil
import unicodedata
import zipfile
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING

from pipelines.sources.limits import MAX_FILE_BYTES
from pipelines.sources.reading import check_type
from registry.errors import Fault, GraftledgerError

from .state import private_folder

if TYPE_CHECKING:
    from python_multipart import MultipartParser

MOST_BYTES = 200 * 2**20
"""Of all files that are sent together."""
MOST_FILES = 40
MOST_PARTS_OF_WORKBOOK = 2_000
_LONGEST_FIELD, _LONGEST_NAME = 1_000, 80
_RESERVED = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?", re.IGNORECASE)


@dataclass(frozen=True)
class Received:
    """What a form sent. files: where they stand. fields: its other answers, by name."""

    files: tuple[Path, ...]
    fields: dict[str, str]


async def receive(chunks: AsyncIterator[bytes], content_type: str, folder: Path) -> Received:
    """Write the files of a form into a new folder that only its owner may read.

    chunks: the body as it comes. content_type: of the request.
    Raises: GraftledgerError where it is no form with files, too large or cut off, or a file is none of those that can
    be read; the folder is gone then.
    """
    boundary = _boundary(content_type)
    private_folder(folder)
    try:
        with _Form(folder) as form:
            parser = form.parser(boundary)
            size = 0
            async for chunk in chunks:
                size += len(chunk)
                if size > MOST_BYTES:
                    raise GraftledgerError(
                        Fault(
                            f"more than {MOST_BYTES // 2**20} MB were sent, which is the limit.",
                            mend="Send fewer files at once, or split a file by period.",
                        )
                    )
                form.parse(parser, chunk)
            form.end(parser)
        if not form.files:
            raise GraftledgerError(Fault("no file was chosen.", mend="Choose at least one file, then send it."))
        faults = [fault for path in form.files for fault in _faults_of(path)]
        if faults:
            raise GraftledgerError(*faults)
        return Received(tuple(form.files), form.fields)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def plain_name(given: str) -> str:
    """One name without folders, signs of control or anything else that a system could take for more than a name.

    >>> plain_name("..\\\\..\\\\etc/pass wd (2).csv"), plain_name("<b>=1.xlsx"), plain_name("NUL.csv")
    ('pass wd (2).csv', '_b__1.xlsx', '_NUL.csv')
    """
    name = unicodedata.normalize("NFC", given).replace("\\", "/").rpartition("/")[2]
    name = "".join(sign if sign.isalnum() or sign in " ._-()" else "_" for sign in name).strip(" .")
    stem, dot, suffix = name.rpartition(".")
    name = f"{stem[:_LONGEST_NAME]}{dot}{suffix[:10]}" if dot else name[:_LONGEST_NAME]
    return f"_{name}" if _RESERVED.fullmatch(name) else name or "file"


@dataclass
class _Form:
    """The parts of a form as they come: files go to the folder, answers are kept."""

    folder: Path
    files: list[Path] = field(default_factory=list)
    fields: dict[str, str] = field(default_factory=dict)
    _headers: dict[str, bytes] = field(default_factory=dict)
    _header_name: bytes = b""
    _header_value: bytes = b""
    _part: str = ""
    _text: bytes = b""
    _file: IO[bytes] | None = None
    _has_ended: bool = False

    def __enter__(self) -> _Form:
        return self

    def __exit__(self, *about: object) -> None:
        if self._file is not None:
            self._file.close()

    def parser(self, boundary: str) -> MultipartParser:
        from python_multipart import MultipartParser

        return MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": self._on_header_name,
                "on_header_value": self._on_header_value,
                "on_header_end": self._on_header_end,
                "on_headers_finished": self._on_headers,
                "on_part_data": self._on_data,
                "on_part_end": self._on_part_end,
                "on_end": self._on_end,
            },
        )

    def parse(self, parser: MultipartParser, chunk: bytes) -> None:
        from python_multipart.exceptions import FormParserError

        try:
            parser.write(chunk)
        except FormParserError:
            raise _unreadable() from None
        except OSError as error:
            why = (error.strerror or "error").lower()
            raise GraftledgerError(Fault(f"the files could not be kept ({why}).", mend="Is the disk full?")) from None

    def end(self, parser: MultipartParser) -> None:
        from python_multipart.exceptions import FormParserError

        try:
            parser.finalize()
        except FormParserError:
            raise _unreadable() from None
        if not self._has_ended:
            raise _unreadable()

    def _begin(self) -> None:
        self._headers, self._text = {}, b""

    def _on_header_name(self, data: bytes, start: int, end: int) -> None:
        self._header_name += data[start:end]

    def _on_header_value(self, data: bytes, start: int, end: int) -> None:
        self._header_value += data[start:end]

    def _on_header_end(self) -> None:
        self._headers[self._header_name.decode("latin-1").lower()] = self._header_value
        self._header_name = self._header_value = b""

    def _on_headers(self) -> None:
        from python_multipart.multipart import parse_options_header

        _, options = parse_options_header(self._headers.get("content-disposition", b""))
        self._part = options.get(b"name", b"").decode("utf-8", "replace")
        given = options.get(b"filename")
        if given is None or not given:  # an answer, or a choice of files that was left empty
            self._file = None
            return
        if len(self.files) == MOST_FILES:
            raise GraftledgerError(Fault(f"more than {MOST_FILES} files at once.", mend="Send them in several goes."))
        path = self._free_path(plain_name(given.decode("utf-8", "replace")))
        self._file = os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")
        self.files.append(path)

    def _free_path(self, name: str) -> Path:
        taken = {path.name.casefold() for path in self.files}
        stem, dot, suffix = name.rpartition(".")
        candidate, count = name, 2
        while candidate.casefold() in taken:
            candidate, count = (f"{stem} ({count}){dot}{suffix}" if dot else f"{name} ({count})"), count + 1
        return self.folder / candidate

    def _on_data(self, data: bytes, start: int, end: int) -> None:
        if self._file is not None:
            self._file.write(data[start:end])
            return
        self._text += data[start:end]
        if len(self._text) > _LONGEST_FIELD:
            raise GraftledgerError(Fault("an answer of the form is too long."))

    def _on_part_end(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
        elif self._part and "filename" not in str(self._headers.get("content-disposition", b"")):
            self.fields[self._part] = self._text.decode("utf-8", "replace")

    def _on_end(self) -> None:
        self._has_ended = True


def _boundary(content_type: str) -> str:
    from python_multipart.multipart import parse_options_header

    kind, options = parse_options_header(content_type)
    boundary = options.get(b"boundary", b"").decode("latin-1")
    if kind != b"multipart/form-data" or not boundary:
        raise _unreadable()
    return boundary


def _unreadable() -> GraftledgerError:
    return GraftledgerError(Fault("the form did not arrive whole.", mend="Go back, choose the files and send again."))


def _faults_of(path: Path) -> tuple[Fault, ...]:
    """What is wrong with a file, as far as its first bytes and its table of contents tell."""
    try:
        check_type(path, path.name)
        if path.suffix.lower() == ".xlsx":
            _check_unpacked(path)
    except GraftledgerError as error:
        return error.faults
    return ()


def _check_unpacked(path: Path) -> None:
    """Refuse a workbook that would unpack to more than a file may have. Whether it tells the truth, reading shows."""
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OverflowError):
        raise GraftledgerError(
            Fault("this is not an Excel workbook, or it is damaged.", path.name, mend="Save it as .xlsx again.")
        ) from None
    if len(parts) > MOST_PARTS_OF_WORKBOOK or sum(part.file_size for part in parts) > MAX_FILE_BYTES:
        raise GraftledgerError(
            Fault(
                f"unpacked, it would be larger than {MAX_FILE_BYTES // 2**30} GB, which is the limit.",
                path.name,
                mend="Send the table alone as CSV, or split it by period.",
            )
        )
