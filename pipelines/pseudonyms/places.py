"""Where something is wrong in a site's table, said without a value."""

from __future__ import annotations

import polars as pl

from registry import Fault, GraftledgerError

from ..identifiers import may_be_shown


class Places:
    """The faults of a table, gathered so that all are reported together."""

    def __init__(self, frame: pl.DataFrame, row_numbers: pl.Series, label: str) -> None:
        self._names, self._row_numbers, self._label = frame.columns, row_numbers, label
        self._faults: list[Fault] = []

    def note(self, what: str, column: str, where: pl.Series, mend: str) -> None:
        """A fault of the rows of a column where a condition is true; none where it is nowhere."""
        rows = self._row_numbers.filter(where.fill_null(False))
        if not rows.is_empty():
            more = f" ({len(rows) - 1:,} more rows likewise)" if len(rows) > 1 else ""
            shown = column if may_be_shown(column) else f"column {self._names.index(column) + 1}"
            self._faults.append(Fault(f"{what}{more}.", self._label, row=rows[0], field=shown, mend=mend))

    def raise_faults(self) -> None:
        """Raises: GraftledgerError with the faults noted so far, where there are any."""
        if self._faults:
            raise GraftledgerError(*self._faults)
