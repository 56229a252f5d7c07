"""What is to be done with a site's table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from registry import RECORD_TYPES, Fault, GraftledgerError
from registry.definition import Kind, RecordType
from registry.errors import nearest

from ..identifiers import may_be_shown

PATIENT_KEY, AGE, FIRST_SURGERY, SHIFTED = (
    "patient_key",
    "age_at_first_surgery_years",
    "first_surgery_on",
    "dates_shifted",
)
KEY_FIELDS = tuple(dict.fromkeys(f.name for record in RECORD_TYPES for f in record.fields if f.kind is Kind.PSEUDONYM))


@dataclass(frozen=True)
class Plan:
    """What becomes of the columns of a table.

    patient_column: holds the chart number; it is replaced by patient_key.
    keys: for other keys of the definition, the columns that make each: the chart number and a date, or a number.
    date_forms: how dates are written, besides YYYY-MM-DD.
    shift_dates: move all dates of a patient by one secret number of days.
    birth_column, surgery_column: make the age at first surgery; the date of birth is taken out.
    age_columns: ages in years of the table's own, in which 90 stands for 90 or over.
    drop: columns taken out.
    keep: columns that make keys and yet stay.
    record: the record type whose field names the columns carry once this is done; None for a site's own columns.
    """

    patient_column: str | None = None
    keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    date_forms: tuple[str, ...] = ()
    shift_dates: bool = False
    birth_column: str | None = None
    surgery_column: str = FIRST_SURGERY
    age_columns: tuple[str, ...] = (AGE,)
    drop: tuple[str, ...] = ()
    keep: tuple[str, ...] = ()
    record: RecordType | None = None

    @property
    def all_keys(self) -> dict[str, tuple[str, ...]]:
        """The columns that make each key, patient_key first."""
        patient = {} if self.patient_column is None else {PATIENT_KEY: (self.patient_column,)}
        return {**patient, **self.keys}

    @property
    def identifying_columns(self) -> tuple[str, ...]:
        """The columns that are taken out whatever else they are for."""
        return tuple(name for name in (self.patient_column, self.birth_column, *self.drop) if name is not None)

    @property
    def named_columns(self) -> tuple[str, ...]:
        """The columns that must be there."""
        births = () if self.birth_column is None else (self.surgery_column,)
        parts = (name for columns in self.all_keys.values() for name in columns)
        return tuple(dict.fromkeys((*self.identifying_columns, *parts, *births, *self.keep)))


def check_plan(plan: Plan, frame: pl.DataFrame, label: str) -> None:
    """Raises: GraftledgerError where the table lacks a column that is named, or the plan cannot be carried out."""
    shown = [name for name in frame.columns if may_be_shown(name)]
    faults = [
        Fault(
            f"the column '{name}' that was named is not in the file.",
            label,
            mend=nearest(name, shown) if shown else None,
        )
        for name in plan.named_columns
        if name not in frame.columns
    ]
    faults += [
        Fault(f"'{name}' is no key of the definition. {nearest(name, list(KEY_FIELDS))}")
        for name in plan.keys
        if name not in KEY_FIELDS
    ]
    faults += [
        Fault(
            "the file holds a column of this name beside those that make the key.", label, field=name, mend="Drop it."
        )
        for name, columns in plan.all_keys.items()
        if name in frame.columns and name not in (*columns, *plan.drop)
    ]
    if plan.patient_column is None:
        if not plan.keys:
            faults.append(
                Fault("no column with chart numbers was named.", label, mend="Name it: --patient-column NAME.")
            )
        elif plan.shift_dates:
            faults.append(Fault("dates are shifted by patient.", label, mend="Name the column: --patient-column NAME."))
    if plan.birth_column is not None and AGE in frame.columns:
        faults.append(
            Fault(
                "the file holds ages at first surgery and dates of birth.",
                label,
                mend=f"Drop one: --drop {AGE}, for example.",
            )
        )
    if faults:
        raise GraftledgerError(*faults)
