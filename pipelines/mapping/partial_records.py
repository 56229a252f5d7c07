"""Records on their way: values by field, and the faults of single values, by position."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import polars as pl

from .model import RecordRule

POSITION, ROW_NUMBER, LABEL_COLUMN = ":position", ":row_number", ":label"
FAULT_SCHEMA = {POSITION: pl.UInt32, "field": pl.String, "column": pl.String, "rule": pl.String}


@dataclass(frozen=True)
class PartialRecords:
    """Records of one type from one sheet.

    frame: ROW_NUMBER (Int64), LABEL_COLUMN (String, null without repeat), and text columns by field name.
    faults: FAULT_SCHEMA; the position of the record in the frame, the field, the source's column and the rule.
    row_keys: ROW_NUMBER, LABEL_COLUMN and the key of every record before records of one key were gathered.
    """

    rule: RecordRule
    frame: pl.DataFrame
    faults: pl.DataFrame
    row_keys: pl.DataFrame | None = None

    def with_values(self, name: str, values: pl.Series) -> PartialRecords:
        return replace(self, frame=self.frame.with_columns(values.alias(name)))

    def with_faults(self, name: str, column: str, rules: pl.Series) -> PartialRecords:
        """With a rule for each record that breaks one in this field, and null for the others."""
        return replace(self, faults=pl.concat([self.faults, fault_rows(name, column, rules)]))

    def keep(self, mask: pl.Series) -> PartialRecords:
        """The records for which the mask is true."""
        if mask.all():
            return self
        kept = mask.arg_true()
        moved = pl.DataFrame({POSITION: kept, "new": pl.int_range(kept.len(), dtype=pl.UInt32, eager=True)})
        faults = self.faults.join(moved, on=POSITION).with_columns(pl.col("new").alias(POSITION)).drop("new")
        return replace(self, frame=self.frame.filter(mask), faults=faults)


def fault_rows(name: str, column: str, rules: pl.Series) -> pl.DataFrame:
    """One row for each rule that is not null."""
    broken = rules.is_not_null().arg_true()
    return pl.DataFrame(
        {
            POSITION: broken.cast(pl.UInt32),
            "field": pl.repeat(name, broken.len(), dtype=pl.String, eager=True),
            "column": pl.repeat(column, broken.len(), dtype=pl.String, eager=True),
            "rule": rules.gather(broken),
        },
        schema=FAULT_SCHEMA,
    )


def joined(parts: Sequence[PartialRecords]) -> PartialRecords:
    """The records of several labels, one after the other."""
    offset, faults = 0, []
    for part in parts:
        faults.append(part.faults.with_columns((pl.col(POSITION) + offset).cast(pl.UInt32)))
        offset += part.frame.height
    return PartialRecords(parts[0].rule, pl.concat([part.frame for part in parts]), pl.concat(faults))
