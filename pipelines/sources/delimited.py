"""CSV and its relatives: commas, semicolons, tabs or vertical bars between fields, by RFC 4180 otherwise.

Double quotes stand around a whole value or not at all; anything else means a quote that was never closed, which would
swallow the rows that follow. A line end inside quotes counts as a space. The header is the first line that holds
anything. A line that holds nothing is a row without values.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path

import polars as pl

from registry import Fault, GraftledgerError

from .delimiters import DELIMITERS, declared_delimiter, detect_delimiter, field_counts
from .encodings import SAVE_AS_UTF_8, detect_encoding, text_blocks
from .limits import MAX_RECORD_CHARACTERS, check_extent
from .sheet import SourceSheet, clean_values, make_sheet

_RAGGED_SHOWN = 5
_WHITE_SPACE = " \t\v\f\x1c\x1d\x1e\x1f\r"
_Records = str | pl.Series
"""Lines as text, none of them quoted; or records."""


def read(path: Path, label: str, encoding: str | None = None) -> list[SourceSheet]:
    """The one sheet of a text file. Raises: GraftledgerError where the bytes are no sound table of text."""
    encoding = encoding or detect_encoding(path, label)
    blocks = _record_blocks(text_blocks(path, encoding, label), label)
    first, line = _first_filled(blocks, label)
    header_record, rest = first[0], first.slice(1)
    delimiter = declared_delimiter(header_record)
    if delimiter is not None:
        rest, line = _first_filled(chain([rest], blocks), label, line + 1)
        header_record, rest = rest[0], rest.slice(1)
    else:
        delimiter = detect_delimiter(header_record, rest.head(200), label)
    header = _header(header_record, delimiter, label)
    check_extent(1, len(header), label)
    frames = _frames(chain([rest], blocks), len(header), delimiter, label)
    sheet = make_sheet(label, None, header, frames, has_number_cells=False)
    if sheet.frame.is_empty():
        raise GraftledgerError(Fault("the file has no rows.", label, mend="Leave it out, or send it with its rows."))
    return [sheet]


def _record_blocks(blocks: Iterator[str], label: str) -> Iterator[_Records]:
    """Whole records, a line end inside quotes turned into a space; as they stand where nothing is in quotes."""
    rest, records_before = "", 0
    for text in chain(blocks, [None]):
        joined = rest + (text or "")
        cut = joined.rfind("\n") + 1 if text is not None else len(joined)
        complete, rest = joined[:cut], joined[cut:]
        if '"' not in complete and len(rest) <= MAX_RECORD_CHARACTERS and _no_line_is_too_long(complete):
            if complete:
                records_before += complete.count("\n") + (not complete.endswith("\n"))
                yield complete
            continue
        records = _lines(complete)
        if '"' in complete:
            records, unfinished = _joined_lines(records)
            if unfinished and text is None:
                raise _misplaced_quote(label, records_before + records.len())
            rest = unfinished + rest
        if len(rest) > MAX_RECORD_CHARACTERS or (records.str.len_chars() > MAX_RECORD_CHARACTERS).any():
            raise GraftledgerError(
                Fault(
                    "a row is longer than a million characters: a double quote may never be closed, or this is no "
                    "table of text.",
                    label,
                    row=records_before + records.len() or None,
                    mend=SAVE_AS_UTF_8,
                )
            )
        if records.len():
            records_before += records.len()
            yield records


def _lines(block: str) -> pl.Series:
    return pl.Series("record", block.removesuffix("\n").split("\n") if block else [], dtype=pl.String)


def _records(block: _Records) -> pl.Series:
    return _lines(block) if isinstance(block, str) else block


def _no_line_is_too_long(block: str) -> bool:
    start = 0
    while start < len(block):
        end = block.rfind("\n", start, start + MAX_RECORD_CHARACTERS + 1)
        if end < 0:
            return len(block) - start <= MAX_RECORD_CHARACTERS
        start = end + 1
    return True


def _joined_lines(lines: pl.Series) -> tuple[pl.Series, str]:
    """Lines put together where a quote is open at the end of one, and what is unfinished at the end."""
    ends = lines.str.count_matches('"', literal=True).cast(pl.Int64).cum_sum() % 2 == 0
    if ends.all():
        return lines, ""
    whole = ends.arg_true()
    last = int(whole[-1]) + 1 if whole.len() else 0
    unfinished = "".join(f"{line}\n" for line in lines.slice(last))
    number = ends.cast(pl.Int64).cum_sum() - ends.cast(pl.Int64)
    joined = (
        pl.DataFrame({"record": lines, "number": number})
        .head(last)
        .group_by("number", maintain_order=True)
        .agg(pl.col("record").str.join(" "))
    )
    return joined["record"], unfinished


def _first_filled(blocks: Iterable[_Records], label: str, line: int = 0) -> tuple[pl.Series, int]:
    """The records from the first that holds anything on, and its line, 0 for the first."""
    for block in blocks:
        records = _records(block)
        filled = records.str.contains(r"[^\s,;|\"]").arg_true()
        if filled.len():
            return records.slice(int(filled[0])), line + int(filled[0])
        line += records.len()
    raise GraftledgerError(Fault("the file is empty.", label, mend="Send it again, with its header and rows."))


def _header(record: str, delimiter: str, label: str) -> list[str]:
    if not re.fullmatch(_well_quoted(delimiter), record):
        raise _misplaced_quote(label, 0)
    try:
        return next(csv.reader(io.StringIO(record), delimiter=delimiter))
    except csv.Error:
        raise GraftledgerError(Fault("this is not a text file.", label, mend=SAVE_AS_UTF_8)) from None


def _well_quoted(delimiter: str) -> str:
    field = rf'(?:"(?:[^"]|"")*"|[^"{re.escape(delimiter)}]*)'
    return rf"^{field}(?:{re.escape(delimiter)}{field})*$"


def _frames(blocks: Iterable[_Records], width: int, delimiter: str, label: str) -> Iterator[pl.DataFrame]:
    """The rows as text columns, trimmed.

    Raises: GraftledgerError naming the rows that have more or fewer fields than the header.
    """
    names = [f"c{position}" for position in range(width)]
    ragged: list[Fault] = []
    ragged_count, rows_before = 0, 0
    pattern = _well_quoted(delimiter)
    for block in blocks:
        if isinstance(block, str) and (frame := _plain(block, names, delimiter)) is not None:
            rows_before += frame.height
            check_extent(rows_before, width, label)
            if not ragged_count:
                yield frame
            continue
        records = _records(block)
        check_extent(rows_before + records.len(), width, label)
        quoted = records.str.contains('"', literal=True)
        if quoted.any():
            misplaced = (quoted & ~records.str.contains(pattern)).arg_true()
            if misplaced.len():
                raise _misplaced_quote(label, rows_before + int(misplaced[0]) + 1)
        blank = ~records.str.contains(r"[^\s" + re.escape(delimiter) + "]")
        counts = field_counts(records, delimiter)
        wrong = ((counts != width) & ~blank).arg_true()
        ragged_count += wrong.len()
        ragged += [
            Fault(
                f"the row has {counts[position]} fields, the header {width}.",
                label,
                row=rows_before + position + 1,
                mend=f"Is one of the {DELIMITERS[delimiter]} missing or too many, or was the file cut off?",
            )
            for position in wrong.head(_RAGGED_SHOWN - len(ragged)).to_list()
        ]
        rows_before += records.len()
        if records.len() and not ragged_count:
            filled = records.zip_with(~blank, pl.Series([delimiter * (width - 1)], dtype=pl.String))
            yield clean_values(_parsed(filled, names, delimiter))
    if ragged_count > len(ragged):
        ragged.append(Fault(f"{ragged_count - len(ragged)} further rows have the wrong number of fields.", label))
    if ragged:
        raise GraftledgerError(*ragged)


def _plain(block: str, names: list[str], delimiter: str) -> pl.DataFrame | None:
    """The rows of a block at once where nothing in it needs a closer look, as in most files; else None.

    Nothing in it is quoted. It has no white space to trim, and as many delimiters as its lines ask for; as none has
    too many (which the parser refuses), none has too few.
    """
    if len(names) == 1 or not block.isascii() or any(sign in block for sign in _WHITE_SPACE if sign != delimiter):
        return None
    text = block if block.endswith("\n") else f"{block}\n"
    lines = text.count("\n")
    if text.count(delimiter) != lines * (len(names) - 1):
        return None
    try:
        frame = _read(text.encode(), names, delimiter)
    except pl.exceptions.ComputeError:
        return None
    return frame if frame.height == lines else None


def _parsed(records: pl.Series, names: list[str], delimiter: str) -> pl.DataFrame:
    if len(names) == 1:
        values = records.str.replace(r'^"((?s).*)"$', "${1}").str.replace_all('""', '"', literal=True)
        return values.alias(names[0]).to_frame()
    return _read(records.str.join("\n")[0].encode() + b"\n", names, delimiter)


def _read(content: bytes, names: list[str], delimiter: str) -> pl.DataFrame:
    return pl.read_csv(
        io.BytesIO(content),
        has_header=False,
        schema=dict.fromkeys(names, pl.String),
        separator=delimiter,
        quote_char='"',
        infer_schema=False,
    )


def _misplaced_quote(label: str, row: int) -> GraftledgerError:
    return GraftledgerError(
        Fault(
            "a double quote is misplaced or never closed; the file may have been cut off.",
            label,
            row=row or None,
            mend='Put quotes around a whole value, and write a quote inside as "".',
        )
    )
