"""A site's table without what identifies: keys for chart numbers, ages for births, and no column that tells."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from registry import RECORD_TYPES, Fault, GraftledgerError
from registry.definition import Kind

from ..identifiers import TableFacts, refuse_identifiers
from .ages import with_ages
from .dates import HOW_TO_READ, check_forms, date_columns
from .keyed import days_back, normalised, pseudonym
from .places import Places
from .plan import PATIENT_KEY, SHIFTED, Plan, check_plan
from .practice_key import PracticeKey

CHART_NUMBER = "chart_number"
_CHANGED_BY_A_SPREADSHEET = r"^[0-9]+\.0+$|^[0-9]+(?:\.[0-9]+)?[eE]\+?[0-9]+$"
_OUR_KEY = r"^[a-z][A-Za-z0-9_-]{22}$"
_SHORTEST_REPEATED, _MOST_REPEATED = 4, 0.5
_DECLARED = frozenset(f.name for record in RECORD_TYPES for f in record.fields if f.kind is not Kind.PSEUDONYM)


@dataclass(frozen=True)
class Pseudonymised:
    """A table that may leave the site.

    frame: text columns. key_counts: distinct keys by field. shifted: columns whose dates were moved.
    links: patient_key and chart_number, one row a patient; they stay at the site.
    """

    frame: pl.DataFrame
    key_counts: Mapping[str, int]
    shifted: tuple[str, ...]
    links: pl.DataFrame = field(repr=False)


def pseudonymise_table(
    frame: pl.DataFrame, row_numbers: pl.Series, plan: Plan, key: PracticeKey, label: str
) -> Pseudonymised:
    """Replace chart numbers by keys and dates of birth by ages, move dates where asked, and refuse what still tells.

    frame: text columns, trimmed; empty cells are null. row_numbers: of the file, for messages.
    The order of rows is kept. Keys come first; a column that made a key is taken out unless it holds dates or a field
    of the definition, or is kept by name.

    Raises: GraftledgerError, with rows and columns and no value, where a number is missing, a spreadsheet has changed
    it, a date cannot be read, or the identifier gate would refuse the result.
    """
    check_forms(plan.date_forms)
    check_plan(plan, frame, label)
    places = Places(frame, row_numbers, label)
    dates, mixed = date_columns(frame, plan.date_forms)
    _check_sources(frame, plan, mixed, places)
    parts = {name: _part(frame[name], dates.get(name)) for columns in plan.all_keys.values() for name in columns}
    keys = {name: _pseudonyms(key, name, [parts[part] for part in columns]) for name, columns in plan.all_keys.items()}

    gone = {*plan.identifying_columns, *keys, *(name for name in parts if name not in dates and name not in _DECLARED)}
    rest = with_ages(frame, plan, places).drop(
        (gone - set(plan.keep)) | {*plan.identifying_columns, *keys}, strict=False
    )
    moved: tuple[str, ...] = ()
    if plan.shift_dates and plan.patient_column is not None:
        moved = tuple(name for name in dates if name in rest.columns)
        rest = _shifted(rest, {name: dates[name] for name in moved}, _offsets(key, parts[plan.patient_column]))
    made = pl.DataFrame(keys).hstack(rest)
    if plan.record is not None:
        made = made.drop({PATIENT_KEY, SHIFTED} - set(plan.record.field_names), strict=False)
    links = pl.DataFrame(schema={PATIENT_KEY: pl.String, CHART_NUMBER: pl.String})
    if plan.patient_column is not None:
        numbers = parts[plan.patient_column].alias(CHART_NUMBER)
        _refuse_repeated(made, numbers, label)
        links = pl.DataFrame([keys[PATIENT_KEY], numbers]).unique().sort(PATIENT_KEY)
    refuse_identifiers(made, file_name=label, facts=TableFacts(record=plan.record, row_numbers=row_numbers))
    return Pseudonymised(made, {name: column.n_unique() for name, column in keys.items()}, moved, links)


def _check_sources(frame: pl.DataFrame, plan: Plan, mixed: Mapping[str, pl.Series], places: Places) -> None:
    """Raises: GraftledgerError where a key could not be made again alike, or a date would be left unmoved."""
    sources = list(dict.fromkeys(name for columns in plan.all_keys.values() for name in columns))
    for name in sources:
        places.note("a key needs this column, and it is empty", name, frame[name].is_null(), "Fill it in.")
        changed = frame[name].str.contains(_CHANGED_BY_A_SPREADSHEET)
        mend = "Store the column as text, and export it again."
        places.note("a spreadsheet has turned the number into another form", name, changed, mend)
    if plan.patient_column is not None:
        done = frame[plan.patient_column].str.contains(_OUR_KEY)
        places.note("this is a pseudonym already", plan.patient_column, done, "Name the column with chart numbers.")
    staying = [name for name in mixed if name not in plan.identifying_columns]
    for name in staying if plan.shift_dates else [name for name in sources if name in mixed]:
        places.note("a date cannot be read", name, mixed[name], HOW_TO_READ)
    places.raise_faults()


def _part(column: pl.Series, dates: pl.Series | None) -> pl.Series:
    """A column as part of a key: dates as YYYY-MM-DD however they were written, anything else normalised."""
    if dates is not None:
        return dates.dt.strftime("%Y-%m-%d")
    distinct = column.unique()
    return column.replace_strict(distinct, _texts(normalised(text) for text in distinct), return_dtype=pl.String)


def _texts(texts: Iterable[str]) -> pl.Series:
    return pl.Series(list(texts), dtype=pl.String)


def _pseudonyms(key: PracticeKey, field_name: str, parts: Sequence[pl.Series]) -> pl.Series:
    frame = pl.DataFrame({str(at): part for at, part in enumerate(parts)})
    distinct = frame.unique()
    made = distinct.with_columns(_texts(pseudonym(key, field_name, row) for row in distinct.rows()).alias("key"))
    return frame.join(made, on=frame.columns, how="left", maintain_order="left")["key"].alias(field_name)


def _offsets(key: PracticeKey, numbers: pl.Series) -> pl.Series:
    distinct = numbers.unique()
    days = pl.Series([days_back(key, number) for number in distinct], dtype=pl.Int64)
    return numbers.replace_strict(distinct, days, return_dtype=pl.Int64)


def _shifted(rest: pl.DataFrame, dates: Mapping[str, pl.Series], days: pl.Series) -> pl.DataFrame:
    back = pl.duration(days=pl.lit(days))
    moved = [(pl.lit(column) - back).dt.strftime("%Y-%m-%d").alias(name) for name, column in dates.items()]
    return rest.with_columns(*moved, pl.lit("yes").alias(SHIFTED))


def _refuse_repeated(made: pl.DataFrame, numbers: pl.Series, label: str) -> None:
    """Raises: GraftledgerError where a column that stays repeats the chart number of its row."""
    long = numbers.str.len_chars() >= _SHORTEST_REPEATED
    shares = [((made[name].str.to_lowercase() == numbers) & long).fill_null(False).mean() for name in made.columns]
    repeating = [at for at, share in enumerate(shares, start=1) if isinstance(share, float) and share > _MOST_REPEATED]
    if repeating:
        raise GraftledgerError(
            *(
                Fault(
                    "it repeats the chart number.",
                    label,
                    field=f"column {at} of the result",
                    mend="Drop it: --drop NAME.",
                )
                for at in repeating
            )
        )
