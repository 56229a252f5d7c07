"""Otherwise valid files, mangled: their cells, the way they are written, and their bytes.

What is done to a file is a list of steps, each an operation and two numbers that say where and with what.
"""

from __future__ import annotations

import csv
import io
import json
import random
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from tests.pipelines.intake.sound_rows import SOUND, numbered

Step = tuple[str, int, int]
Row = list[str | None]

ODD_VALUES = (
    "9" * 400, "1e400", "-1e-400", "-0", "NaN", "inf", "0x1F", "\uff11\uff12", "12,5", "1_000", "1.000.000", "007",
    "2147483648", "9223372036854775808", "1e5", "--5", "5-", "+5", ".5", "5.", "1/2", "50%", "12:30",
    "0000-00-00", "2024-02-30", "99999-01-01", "-2024-01-01", "2024-13-01", "2024-01-01T00:00:00Z", "01/02/03",
    "2024-W05", "20240101", "infinity", "epoch", "today", "1899-12-31", "9999-12-31",
    "=1+1", "=HYPERLINK(\"http://x\",\"y\")", "@SUM(A1)", "+cmd|' /C calc'!A0", "-2+3", "{=A1}",
    '"', '""', "'", 'a"b', "x\ny", "x\r\ny", "\ufeffmale", "male\u200b", "\u202emale", "MALE", " male ", "w\u00e4",
    "\x1e", "\x1esex", "\x07", "\x7f", "\U0001f600", "e\u0301", "null", "None", "true", "yes;no", ";", ";;", "a;;b;",
    "'; drop table patient; --", "{0}", "%s", "{n}", "\\N", "\\", "x" * 5000, "[1, 2]", '{"a": 1}', "sep=;",
)  # fmt: skip
ODD_NAMES = (
    "", " ", "column 2", "row_number", "claimed", "row_id", "canonical", "held_back_entry", "PATIENT_KEY", "sex ",
    "name", "Geburtsdatum", "e-mail", "\u00e4lter", "x" * 300, "=1+1", 'a"b', "a\nb", "\U0001f600", "unmapped",
    "file_id",     "patient_key;site_code", "'; drop table patient; --", "{0}", "%s", "sep=,", "\ufeffsex", "1", "null",
)  # fmt: skip
ENCODINGS = ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "cp850", "cp1254", "koi8-r", "utf-7")


@dataclass
class Table:
    """A file before it is written. `styles`: how it is written, where that is not the usual way."""

    header: list[str]
    rows: list[Row]
    styles: dict[str, int] = field(default_factory=dict)


def sound_table(record: str, numbers: Sequence[int]) -> Table:
    if record == "site_period":
        sites = [SOUND[record] | {"site_code": code} for code in ("A", "B")]
        return Table(list(SOUND[record]), [list(row.values()) for row in sites])
    rows = [numbered(record, number) for number in numbers]
    return Table(list(rows[0]), [list(row.values()) for row in rows])


def _cell(change: Callable[[Row, int, int], None]) -> Callable[[Table, int, int], None]:
    def on_a_row(table: Table, one: int, two: int) -> None:
        if table.rows and (row := table.rows[one % len(table.rows)]):
            change(row, one // 7 % len(row), two)

    return on_a_row


def _name(change: Callable[[list[str], int, int], None]) -> Callable[[Table, int, int], None]:
    def on_the_header(table: Table, one: int, two: int) -> None:
        if table.header:
            change(table.header, one % len(table.header), two)

    return on_the_header


def _set_value(row: Row, at: int, two: int) -> None:
    row[at] = ODD_VALUES[two % len(ODD_VALUES)]


def _extend_value(row: Row, at: int, two: int) -> None:
    row[at] = (row[at] or "") + ODD_VALUES[two % len(ODD_VALUES)]


def _empty_value(row: Row, at: int, two: int) -> None:
    row[at] = None


def _other_digit(row: Row, at: int, two: int) -> None:
    text = row[at] or "0"
    place = two % len(text)
    row[at] = text[:place] + str(two % 10) + text[place + 1 :]


def _swap_values(row: Row, at: int, two: int) -> None:
    other = two % len(row)
    row[at], row[other] = row[other], row[at]


def _insert_cell(row: Row, at: int, two: int) -> None:
    row.insert(at, None if two % 2 else "1")


def _drop_cell(row: Row, at: int, two: int) -> None:
    del row[at]


def _rename(header: list[str], at: int, two: int) -> None:
    header[at] = ODD_NAMES[two % len(ODD_NAMES)]


def _rename_as_another(header: list[str], at: int, two: int) -> None:
    header[at] = header[two % len(header)]


def _swap_names(header: list[str], at: int, two: int) -> None:
    other = two % len(header)
    header[at], header[other] = header[other], header[at]


def _drop_column(table: Table, one: int, two: int) -> None:
    if table.header:
        at = one % len(table.header)
        del table.header[at]
        for row in table.rows:
            del row[at : at + 1]


def _double_column(table: Table, one: int, two: int) -> None:
    if table.header:
        at = one % len(table.header)
        table.header.append(table.header[at])
        for row in table.rows:
            row.append(row[at] if at < len(row) else None)


def _no_header(table: Table, one: int, two: int) -> None:
    if table.rows:
        table.header = [value or "" for value in table.rows.pop(one % len(table.rows))]


def _double_row(table: Table, one: int, two: int) -> None:
    if table.rows:
        table.rows.insert(two % (len(table.rows) + 1), list(table.rows[one % len(table.rows)]))


def _empty_row(table: Table, one: int, two: int) -> None:
    table.rows.insert(one % (len(table.rows) + 1), [None] * len(table.header))


def _header_again(table: Table, one: int, two: int) -> None:
    table.rows.insert(one % (len(table.rows) + 1), list(table.header))


def _total_row(table: Table, one: int, two: int) -> None:
    table.rows.append(["Total", *([None] * (len(table.header) - 2)), str(two)][: len(table.header)])


def _no_rows(table: Table, one: int, two: int) -> None:
    table.rows = table.rows[: one % 2]


CELL_STEPS: dict[str, Callable[[Table, int, int], None]] = {
    "set value": _cell(_set_value),
    "set another value": _cell(_set_value),
    "extend value": _cell(_extend_value),
    "other digit": _cell(_other_digit),
    "empty value": _cell(_empty_value),
    "swap values": _cell(_swap_values),
    "insert cell": _cell(_insert_cell),
    "drop cell": _cell(_drop_cell),
    "rename": _name(_rename),
    "rename as another": _name(_rename_as_another),
    "swap names": _name(_swap_names),
    "drop column": _drop_column,
    "double column": _double_column,
    "no header": _no_header,
    "double row": _double_row,
    "empty row": _empty_row,
    "header again": _header_again,
    "total row": _total_row,
    "no rows": _no_rows,
}
GENTLE_STEPS = (
    "set value", "set another value", "extend value", "other digit", "empty value", "swap values", "double row",
    "empty row", "swap names", "double column", "total row",
)  # fmt: skip
"""Those that leave a file which is mostly read."""
STYLE_STEPS = ("delimiter", "encoding", "line end", "quotes", "types", "another sheet")


def _cut(content: bytearray, at: int, two: int) -> None:
    del content[at:]


def _flip(content: bytearray, at: int, two: int) -> None:
    content[at] ^= 1 << two % 8


def _drop(content: bytearray, at: int, two: int) -> None:
    del content[at : at + 1 + two % 40]


def _double(content: bytearray, at: int, two: int) -> None:
    content[at:at] = content[at : at + 1 + two % 400]


def _zeros(content: bytearray, at: int, two: int) -> None:
    content[at : at + 1 + two % 5] = bytes(1 + two % 5)


def _insert(what: bytes) -> Callable[[bytearray, int, int], None]:
    def insert(content: bytearray, at: int, two: int) -> None:
        content[at:at] = what

    return insert


def _noise(content: bytearray, at: int, two: int) -> None:
    content[at : at + 4] = (two * 2_654_435_761 % 2**32).to_bytes(4, "little")


def _twice(content: bytearray, at: int, two: int) -> None:
    content += bytes(content)


def _nothing(content: bytearray, at: int, two: int) -> None:
    content[:] = b"\n" * (two % 3)


BYTE_STEPS: dict[str, Callable[[bytearray, int, int], None]] = {
    "cut": _cut,
    "flip": _flip,
    "flip another": _flip,
    "drop": _drop,
    "double": _double,
    "zeros": _zeros,
    "insert zero": _insert(b"\0"),
    "insert mark": _insert(b"\xef\xbb\xbf"),
    "insert quote": _insert(b'"'),
    "insert comma": _insert(b","),
    "insert semicolon": _insert(b";"),
    "insert line end": _insert(b"\n"),
    "insert carriage return": _insert(b"\r"),
    "insert brace": _insert(b"}"),
    "insert letter": _insert(b"\xe9"),
    "noise": _noise,
    "twice": _twice,
    "nothing": _nothing,
}
WHOLE_STEPS = ("another format", "inside a part")


def mangle(table: Table, steps: Sequence[Step], suffix: str) -> bytes:
    """The bytes of a file, after the steps on its cells, its style and its bytes, in this order."""
    for name, one, two in steps:
        if name in CELL_STEPS:
            CELL_STEPS[name](table, one, two)
        elif name in STYLE_STEPS:
            table.styles[name] = one
    names = {name: one for name, one, _ in steps}
    written_as = SUFFIXES[names["another format"] % len(SUFFIXES)] if "another format" in names else suffix
    content = bytearray(_WRITERS[written_as](table))
    for name, one, two in steps:
        if name == "inside a part" and written_as == ".xlsx":
            content = _inside_a_part(content, one, two)
    for name, one, two in steps:
        if name in BYTE_STEPS and content:
            BYTE_STEPS[name](content, one * 65_537 % len(content), two)
    return bytes(content)


def _delimited(mark: str) -> Callable[[Table], bytes]:
    def write(table: Table) -> bytes:
        styles = table.styles
        text = io.StringIO()
        writer = csv.writer(
            text,
            delimiter=",;\t|"[styles["delimiter"] % 4] if "delimiter" in styles else mark,
            quoting=csv.QUOTE_ALL if "quotes" in styles else csv.QUOTE_MINIMAL,
            lineterminator=("\r\n", "\r", "\n\n")[styles["line end"] % 3] if "line end" in styles else "\n",
        )
        writer.writerow(table.header)
        writer.writerows(table.rows)
        encoding = ENCODINGS[styles["encoding"] % len(ENCODINGS)] if "encoding" in styles else "utf-8"
        return text.getvalue().encode(encoding, errors="replace")

    return write


def _typed(table: Table, column: int, value: str | None) -> Any:
    """A value as a number, a truth value or a list, in one column of a table that has types."""
    if value is None or "types" not in table.styles or table.styles["types"] % len(table.header) != column:
        return value
    match table.styles["types"] // 64 % 5:
        case 0:
            return len(value)
        case 1:
            return len(value) / 7
        case 2:
            return len(value) % 2 == 0
        case 3:
            return [value, value]
        case _:
            return {"value": value}


def _ndjson(table: Table) -> bytes:
    lines = [
        json.dumps(
            {name: _typed(table, at, value) for at, (name, value) in enumerate(zip(table.header, row, strict=False))},
            ensure_ascii="quotes" in table.styles,
        )
        for row in table.rows
    ]
    encoding = ENCODINGS[table.styles["encoding"] % len(ENCODINGS)] if "encoding" in table.styles else "utf-8"
    return "".join(f"{line}\n" for line in lines).encode(encoding, errors="replace")


def _parquet(table: Table) -> bytes:
    import pyarrow as pa
    from pyarrow import parquet

    rows = [row[: len(table.header)] + [None] * (len(table.header) - len(row)) for row in table.rows]
    columns = [pa.array([_typed(table, at, row[at]) for row in rows]) for at in range(len(table.header))]
    out = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(columns, names=table.header), out)
    return out.getvalue()


def _workbook(table: Table) -> bytes:
    import xlsxwriter  # type: ignore[import-untyped]

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_urls": False}) as book:
        for name in ("rows", "more") if "another sheet" in table.styles else ("rows",):
            page = book.add_worksheet(name)
            for number, row in enumerate([table.header, *table.rows]):
                for at, value in enumerate(row):
                    typed = _typed(table, at, value) if number else value
                    if isinstance(typed, str) and typed.startswith("=") and "quotes" in table.styles:
                        page.write_formula(number, at, typed)
                    elif isinstance(typed, str | list | dict):
                        page.write_string(number, at, str(typed))
                    elif typed is not None:
                        page.write(number, at, typed)
    return out.getvalue()


def _inside_a_part(content: bytearray, one: int, two: int) -> bytearray:
    """One part of a workbook mangled and packed again, so that the container is sound."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(bytes(content))) as old, zipfile.ZipFile(out, "w") as new:
        parts = {name: bytearray(old.read(name)) for name in old.namelist()}
        part = parts[list(parts)[one % len(parts)]]
        step = list(BYTE_STEPS.values())[two % len(BYTE_STEPS)]
        step(part, one * 65_537 % max(len(part), 1), two)
        for name, data in parts.items():
            new.writestr(name, bytes(data))
    return bytearray(out.getvalue())


_WRITERS: dict[str, Callable[[Table], bytes]] = {
    ".csv": _delimited(","),
    ".tsv": _delimited("\t"),
    ".txt": _delimited("|"),
    ".ndjson": _ndjson,
    ".parquet": _parquet,
    ".xlsx": _workbook,
}
SUFFIXES = tuple(_WRITERS)


def draw_steps(draw: random.Random, names: Sequence[str], most: int) -> list[Step]:
    """One to `most` steps of these names."""
    return [(draw.choice(names), draw.randrange(2**16), draw.randrange(2**16)) for _ in range(draw.randint(1, most))]
