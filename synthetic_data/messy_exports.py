"""Messy exports: what two fictional sites send from their own systems, in their own columns, words and units.

Each site's mapping (`mappings/<SITE>.toml`) says how its export becomes records; the export here is made by reading it
the other way round. So a mapped export gives back the records from which it was made, mistakes included: a value that
is no code, number or date is passed on as it is.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import polars as pl

from registry.definition import RECORD_TYPES, SET_SEPARATOR, Kind, record_type

from .clinics import DATA_DATE

MESSY_SITES = ("LANTERN", "QUARRY")
"""A workbook in German with complications and counts side by side; text files in French with semicolons."""
WORKBOOK = "Export.xlsx"
_ENCODING = "windows-1252"
_LABEL = "{label}"
_SIDE_BY_SIDE = {"complication": 3, "graft_count": 2}
_PER_UNIT = {"min": 60.0, "in2": 1 / 6.4516, "mm2": 100.0, "cm": 0.1, "mm": 0.001}
"""Numbers of a unit in one of the field's own: of minutes in an hour, and so on. Hair calibre alone comes in mm."""
_FILLER = {"OP-Saal": "Saal 2", "Étage": "1er"}


def mapping_text(site: str) -> str:
    """The mapping of a messy site, as the registry's folder would hold it."""
    return (files("synthetic_data") / "mappings" / f"{site}.toml").read_text(encoding="utf-8")


def write_messy_export(site: str, records: Mapping[str, pl.DataFrame], folder: Path) -> list[Path]:
    """Write a site's records as the site's own system would export them. The same records give the same bytes.

    site: one of MESSY_SITES.
    records: by record type, every field as text as in the site's files in the registry's own layout (null = empty).
    folder: exists already. Returns the files.
    """
    tables = list(_tables(site, {record.name: _rows(records, record.name) for record in RECORD_TYPES}))
    if any(table.sheet for table in tables):
        path = folder / WORKBOOK
        _write_workbook(path, tables)
        return [path]
    paths = []
    for table in tables:
        if not table.frame.is_empty():  # a site sends no file of which it has no rows
            paths.append(folder / table.file_name)
            text = table.frame.write_csv(separator=";", line_terminator="\r\n")
            paths[-1].write_bytes(text.encode(_ENCODING))
    return paths


@dataclass(frozen=True)
class _Table:
    """A sheet or file of an export: columns in the site's own names, values in its own words, dates in its form."""

    file_name: str
    sheet: str | None
    frame: pl.DataFrame
    date_columns: frozenset[str]
    number_columns: frozenset[str]


@cache
def _mapping(site: str) -> Any:
    return tomllib.loads(mapping_text(site))


def _rows(records: Mapping[str, pl.DataFrame], name: str) -> pl.DataFrame:
    fields = list(record_type(name).field_names)
    if name not in records:
        return pl.DataFrame(schema=dict.fromkeys(fields, pl.String))
    return records[name].select(pl.col(fields).cast(pl.String))


def _tables(site: str, records: dict[str, pl.DataFrame]) -> Iterator[_Table]:
    mapping = _mapping(site)
    beside = {
        record
        for source in mapping["source"]
        for record in _SIDE_BY_SIDE
        if record in source and "repeat" in source[record]
    }
    for source in mapping["source"]:
        if source.get("ignore"):
            legend = pl.DataFrame({"Abkürzung": ["1er"], "Bedeutung": ["Grafts mit einem Haar"]})
            yield _Table("", source["sheet"], legend, frozenset(), frozenset())
            continue
        names = [record.name for record in RECORD_TYPES if record.name in source]
        columns: dict[str, tuple[pl.Series, Kind | None]] = {}
        for name in names:
            entries, rows = source[name], records[name]
            if name in beside and "repeat" not in entries:
                rows = _left_over(records["session"], rows)
            elif "repeat" in entries and name == "complication":
                rows = records["session"].join(
                    _complications_beside(records["session"], rows), on="session_key", how="left"
                )
            elif "repeat" in entries:
                rows = _areas_beside(rows)
            for label in entries.get("repeat", [None]):
                for column, values, kind in _columns(mapping, entries, name, rows, label):
                    columns.setdefault(column, (values, kind))
        height = next(iter(columns.values()))[0].len()
        for column in source.get("drop", []):
            columns[column] = (pl.repeat(_FILLER[column], height, dtype=pl.String, eager=True), None)
        yield _Table(
            source.get("file", "").replace("*", ""),
            source.get("sheet"),
            pl.DataFrame([values.alias(column) for column, (values, _) in columns.items()]),
            frozenset(column for column, (_, kind) in columns.items() if kind is Kind.DATE),
            frozenset(column for column, (_, kind) in columns.items() if kind in (Kind.INTEGER, Kind.NUMBER)),
        )


def _columns(
    mapping: Any, entries: Mapping[str, Any], name: str, rows: pl.DataFrame, label: str | None
) -> Iterator[tuple[str, pl.Series, Kind]]:
    """The columns from which a mapping makes the fields of a record, for one label."""
    record = record_type(name)
    suffix = "" if label is None else f":{label}"
    for field in record.fields:
        entry = entries.get(field.name)
        if isinstance(entry, str):
            entry = {"column": entry}
        if entry is None or not ({"column", "yes_columns"} & set(entry)):
            continue
        values = rows[field.name + suffix] if field.name + suffix in rows.columns else rows[field.name]
        codes = entry.get("codes", {})
        words = {code: word for word, code in (mapping["codes"][codes] if isinstance(codes, str) else codes).items()}
        if "yes_columns" in entry:
            yield from _yes_columns(entry, values, words)
            continue
        column = entry["column"].replace(_LABEL, label or "")
        kind = field.kind
        if "days_since" in entry:
            values, kind = _dates_after(values, rows["performed_on"]), Kind.DATE
        if kind is Kind.CODE_SET:
            values = _in_words(values, words, entry.get("separator", SET_SEPARATOR))
        elif kind is Kind.DATE:
            values = _in_form(values, mapping["date_format"])
        elif kind in (Kind.INTEGER, Kind.NUMBER):
            values = _in_unit(values, entry.get("unit"), mapping.get("decimal", "."))
        elif words:
            values = values.replace(words)
        yield column, values, kind


def _yes_columns(
    entry: Mapping[str, Any], values: pl.Series, words: Mapping[str, str]
) -> Iterator[tuple[str, pl.Series, Kind]]:
    """A column a code: yes where it is in the set, no where it is not, empty where nothing is known."""
    members = values.str.split(SET_SEPARATOR)
    for column, code in entry["yes_columns"].items():
        held = members.list.contains(code)
        yield column, held.replace_strict({True: words["yes"], False: words["no"]}, return_dtype=pl.String), Kind.YES_NO


def _in_words(values: pl.Series, words: Mapping[str, str], separator: str) -> pl.Series:
    """Sets of codes in the site's words, with its separator between them."""
    joint = f" {separator} " if separator == "+" else f"{separator} "
    parts = values.str.split(SET_SEPARATOR).list.eval(pl.element().replace(dict(words)))
    return parts.list.join(joint)


def _in_form(values: pl.Series, form: str) -> pl.Series:
    """Dates in the site's form; what is no date as it is."""
    return values.str.to_date("%Y-%m-%d", strict=False).dt.strftime(form).fill_null(values)


def _in_unit(values: pl.Series, unit: str | None, decimal: str) -> pl.Series:
    """Numbers in the site's unit and with its decimal sign; what is no number as it is."""
    if unit is None:
        numbers = values.str.replace(r"\.0$", "")
    else:
        numbers = (
            (values.cast(pl.Float64, strict=False) * _PER_UNIT[unit]).round(9).cast(pl.Decimal(20, 9), strict=False)
        )
        numbers = numbers.cast(pl.String).str.replace(r"(\.\d*?)0+$", "${1}").str.replace(r"\.$", "").fill_null(values)
    is_number = numbers.str.contains(r"^-?[0-9]*\.?[0-9]+$").fill_null(False)
    return numbers.str.replace(".", decimal, literal=True).zip_with(is_number, numbers)


def _dates_after(days: pl.Series, start: pl.Series) -> pl.Series:
    """Days after a date, as dates."""
    frame = pl.DataFrame(
        {"day": days.cast(pl.Int64, strict=False), "start": start.str.to_date("%Y-%m-%d", strict=False)}
    )
    return frame.select((pl.col("start") + pl.duration(days="day")).dt.to_string("iso").alias("date")).to_series()


def _fits_beside(sessions: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Complications with their number beside a session, null where they do not fit there.

    There is room for three beside a session whose key is there once, with its date; days must be whole numbers.
    """
    room = sessions.filter(pl.col("session_key").is_unique()).select(
        "session_key", room=pl.col("performed_on").str.to_date("%Y-%m-%d", strict=False).is_not_null()
    )
    days = ("onset_day", "last_present_day", "first_absent_day")
    sound = pl.all_horizontal(pl.col(day).is_null() | pl.col(day).str.contains(r"^[0-9]{1,4}$") for day in days)
    known = pl.col("complication_key").is_not_null() & pl.col("kind").is_not_null()
    return (
        rows.join(room, on="session_key", how="left", maintain_order="left")
        .with_columns(fits=pl.col("room").fill_null(False) & sound & known)
        .with_columns(number=pl.when("fits").then(pl.col("fits").cum_sum().over("session_key", "fits")))
        .with_columns(number=pl.when(pl.col("number") <= _SIDE_BY_SIDE["complication"]).then("number"))
    )


def _complications_beside(sessions: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """One row a session, the fields of its complications under names with the label behind a colon."""
    placed = _fits_beside(sessions, rows).filter(pl.col("number").is_not_null())
    return _beside(
        placed.with_columns(label=pl.col("number").cast(pl.String)), ["session_key"], ["1", "2", "3"], rows.columns
    )


def _left_over(sessions: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    return _fits_beside(sessions, rows).filter(pl.col("number").is_null()).select(rows.columns)


def _areas_beside(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a session, day and reading, the fields of its areas under names with the letter behind a colon.

    A second count of the same area, day and reading, which only a mistake makes, goes to a row of its own.
    """
    shared = ["session_key", "counted_on", "repeat_number"]
    numbered = rows.with_columns(again=pl.len().over(*shared, "area_label").cast(pl.String)).with_columns(
        again=pl.int_range(pl.len()).over(*shared, "area_label"), label=pl.col("area_label")
    )
    return _beside(numbered, [*shared, "again"], ["A", "B"], rows.columns)


def _beside(rows: pl.DataFrame, shared: Sequence[str], labels: Sequence[str], fields: Sequence[str]) -> pl.DataFrame:
    result = rows.select(shared).unique(maintain_order=True)
    for label in labels:
        own = [name for name in fields if name not in shared]
        part = rows.filter(pl.col("label") == label).select(*shared, pl.col(own).name.suffix(f":{label}"))
        result = result.join(part, on=list(shared), how="left", nulls_equal=True, maintain_order="left")
    return result


def _write_workbook(path: Path, tables: Sequence[_Table]) -> None:
    """A workbook with real dates and numbers, except where a value is none, and now and then as somebody typed them."""
    import xlsxwriter  # type: ignore[import-untyped]

    with xlsxwriter.Workbook(path) as book:
        book.set_properties({"created": datetime(DATA_DATE.year, DATA_DATE.month, DATA_DATE.day)})
        day = book.add_format({"num_format": "dd.mm.yyyy"})
        for table in tables:
            sheet = book.add_worksheet(table.sheet)
            for position, name in enumerate(table.frame.columns):
                sheet.write_string(0, position, name)
                for row, value in enumerate(table.frame[name].to_list(), start=1):
                    if value is None:
                        continue
                    as_typed = row % 7 == 0
                    if name in table.date_columns and not as_typed and (found := _day(value)):
                        sheet.write_datetime(row, position, datetime(found.year, found.month, found.day), day)
                    elif name in table.number_columns and not as_typed and (number := _number(value)) is not None:
                        sheet.write_number(row, position, number)
                    else:
                        sheet.write_string(row, position, value)


def _day(text: str) -> date | None:
    try:
        return datetime.strptime(text, "%d.%m.%Y").date()
    except ValueError:
        return None


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None
