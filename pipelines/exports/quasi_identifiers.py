"""What somebody outside may know of a patient, and the coarser forms in which each of it can be shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .columns import WITHHELD

if TYPE_CHECKING:
    import polars as pl

SENSITIVE = {"smoking": "never", "diabetes": "no", "medical_therapy": "none"}
"""Answers that nobody should learn of a patient from the group the patient is in, each with the answer that harms
nobody. A group breaks l-diversity where all share one answer that is another."""


@dataclass(frozen=True)
class Form:
    """One form of a quasi-identifier: how it is said, and its values, one a patient."""

    words: str
    values: pl.Series


@dataclass(frozen=True)
class QuasiIdentifier:
    """One of them. forms: the finest first; in the last one it is left out or as coarse as it may become."""

    name: str
    forms: tuple[Form, ...]


def quasi_identifiers(people: pl.DataFrame, k: int) -> tuple[QuasiIdentifier, ...]:
    """Every one with its forms, the one that research can spare most first.

    people: one row a patient, from the step `export_quasi`.
    """
    stage = people.get_column("pattern").str.replace(r"^(\S+ [IV]*).*$", "${1}")
    sessions = people.get_column("sessions_here")
    caps = dict.fromkeys((largest_cap(sessions, k), min(2, largest_cap(sessions, k))))
    return (
        _coded("hair_colour", people.get_column("hair_colour"), k),
        _coded("indication", people.get_column("indication"), k),
        QuasiIdentifier(
            "sessions_here",
            tuple(Form(f"{cap} stands for {cap} or more", sessions.clip(upper_bound=cap)) for cap in caps),
        ),
        QuasiIdentifier(
            "index_years",
            (
                *(
                    Form(f"spans of {width} years" if width > 1 else "years", bands(people["index_year"], width, k))
                    for width in (1, 2, 3, 5, 10)
                ),
                _left_out(people.height),
            ),
        ),
        QuasiIdentifier(
            "pattern_stage",
            (
                Form("as recorded", pooled(people.get_column("pattern"), k)),
                Form("without the letters of a stage", pooled(stage, k)),
                _left_out(people.height),
            ),
        ),
        _coded("sex", people.get_column("sex"), k),
        QuasiIdentifier(
            "age_band",
            (
                *(
                    Form(f"bands of {width} years", bands(people.get_column("age"), width, k, top=90))
                    for width in (5, 10, 20)
                ),
                _left_out(people.height),
            ),
        ),
    )


def largest_cap(sessions: pl.Series, k: int) -> int:
    """The largest number of sessions that at least k patients have had."""
    return max((n for n in range(1, 16) if (sessions >= n).sum() >= k), default=1)


def _left_out(n: int) -> Form:
    import polars as pl

    return Form("left out", pl.Series([None] * n, dtype=pl.String))


def _coded(name: str, values: pl.Series, k: int) -> QuasiIdentifier:
    return QuasiIdentifier(name, (Form("as recorded", pooled(values, k)), _left_out(len(values))))


def pooled(values: pl.Series, k: int, patients: pl.Series | None = None) -> pl.Series:
    """Answers that fewer than k patients share become `withheld`, together with as many of the next rarest as it takes
    until k share that; all of them where k do not even then. Empty stays empty.

    patients: whose row it is, where a patient may have several.

    >>> import polars as pl
    >>> pooled(pl.Series(["a"] * 5 + ["b"] * 3 + ["c"]), 3).to_list()
    ['a', 'a', 'a', 'a', 'a', 'withheld', 'withheld', 'withheld', 'withheld']
    """
    import polars as pl

    table = pl.DataFrame({"value": values, "patient": patients if patients is not None else range(len(values))})
    named = table.drop_nulls("value").group_by("value").agg(pl.col("patient").n_unique().alias("n"))
    ordered = named.sort("n", "value").rows()
    rare: list[str] = []
    for value, n in ordered:
        if n >= k and (not rare or table.filter(pl.col("value").is_in(rare))["patient"].n_unique() >= k):
            break
        rare.append(value)
    return values.replace(dict.fromkeys(rare, WITHHELD.name)) if rare else values


def bands(values: pl.Series, width: int, k: int, top: int | None = None) -> pl.Series:
    """Whole numbers as bands of a width, those at both ends joined until k patients are in each.

    >>> import polars as pl
    >>> bands(pl.Series([20, 31, 32, 33, 41, 90]), 10, 2, top=90).to_list()
    ['up to 39', 'up to 39', 'up to 39', 'up to 39', '40 or more', '40 or more']
    """
    import polars as pl

    known = values.drop_nulls()
    if known.is_empty():
        return pl.Series([None] * len(values), dtype=pl.String)
    starts = sorted({min(int(value), top or int(value)) // width * width for value in known.unique()})
    counts = {start: int(known.is_between(start, start + width - 1).sum()) for start in starts}
    first, last = _joined(starts, counts, k), _joined(starts[::-1], counts, k)
    if first >= last:  # too few for two ends
        return pl.Series(["all" if value is not None else None for value in values], dtype=pl.String)
    names = {}
    for start in starts:
        if start <= first and starts.index(first):
            names[start] = f"up to {first + width - 1}"
        elif start >= last and (last != starts[-1] or (top is not None and last + width > top)):
            names[start] = f"{last} or more"
        else:
            names[start] = f"{start}" if width == 1 else f"{start}-{start + width - 1}"
    band = values // width * width
    return band.replace_strict(names, default=None, return_dtype=pl.String)


def _joined(starts: Sequence[int], counts: dict[int, int], k: int) -> int:
    """From one end on: the band with which k patients are reached."""
    total = 0
    for start in starts:
        total += counts[start]
        if total >= k:
            return start
    return starts[-1]
