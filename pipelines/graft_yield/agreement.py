"""How far two readings of one marked area on one day agree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from registry.store import Registry

from ..estimators import CountsError, intraclass_correlation, limits_of_agreement
from ..estimators.agreement import Bound, Form
from ..figure import Figure
from ..graft_measures import ICC_ABSOLUTE, ICC_CONSISTENT, ICC_ONE_WAY, READING_BIAS, READING_HIGH, READING_LOW
from ..groups import EVERYBODY, Chosen, chosen_fields
from .areas import Asked

ONE_READER, TWO_READERS = "one reader twice", "two readers"
"""Who read; readings of which that is not recorded are in neither."""
_FORMS: Mapping[str, Form] = {ICC_ONE_WAY: "1,1", ICC_ABSOLUTE: "2,1", ICC_CONSISTENT: "3,1"}


def count_agreement(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    by_hairs: bool = False,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Differences between the first two readings of an area on a day, per 100 placed, and intraclass correlations.

    Estimator: `limits_of_agreement` and `intraclass_correlation`; all pairs, pairs by one reader, and pairs by two.
    Counts of any time since the session enter, as reading is no question of maturity. By hairs: hairs seen, existing
    ones included, per 100 placed. The mean difference is first less second.
    The first and the second reading stand for the two readers of forms 2,1 and 3,1; where who reads changes from area
    to area, 1,1 is the form that fits.
    Assumes: second readings are made without sight of the first; readings were repeated whatever the first said.
    Misleads where several pairs are of one patient (limits a little narrow), and where areas are alike, which lowers
    the correlations though readers agree.

    by, by_hairs, chosen, as_of, level: as `graft_survival`.
    Returns figures by group, then who read, then measure: n pairs of readings in n_clusters patients.
    Raises: GraftledgerError for an unknown field.
    Source: Bland & Altman 1986, Lancet 327:307-310; Shrout & Fleiss 1979, Psychol Bull 86:420-428.
    """
    asked = Asked(registry, chosen_fields(by, registry.settings), by_hairs, chosen=chosen, as_of=as_of, level=level)
    pairs = asked.table("reading_pair")
    figures: list[Figure] = []
    for group, named in asked.groups(pairs):
        own = asked.part(pairs, group)
        parts = {
            "all pairs": own,
            ONE_READER: own.filter(pl.col("same_reader").fill_null(False)),
            TWO_READERS: own.filter(~pl.col("same_reader").fill_null(True)),
        }
        for who, part in parts.items():
            figures += _figures(part, {**named, "reading": who}, asked)
    return tuple(figures)


def _figures(pairs: pl.DataFrame, named: Mapping[str, str], asked: Asked) -> Iterator[Figure]:
    first, second = (100 * pairs[column].to_numpy() for column in ("first", "second"))
    shared: dict[str, Any] = {
        "n": len(pairs),
        "n_unit": "pairs",
        "n_clusters": pairs["patient_key"].n_unique(),
        "group": named,
        "level": asked.level,
        "flags": ("too_few",) if len(pairs) < asked.floor else (),
    }
    bounds: dict[str, Bound | None] = dict.fromkeys((READING_BIAS, READING_LOW, READING_HIGH, *_FORMS))
    if len(pairs) > 1:
        found = limits_of_agreement(first, second, level=asked.level)
        bounds |= {READING_BIAS: found.bias, READING_LOW: found.low, READING_HIGH: found.high}
        table = pl.DataFrame({"first": first, "second": second}).to_numpy()
        for measure, form in _FORMS.items():
            try:
                bounds[measure] = intraclass_correlation(table, form, asked.level)
            except CountsError:  # all readings are the same
                continue
    for measure, bound in bounds.items():
        yield Figure(
            measure,
            method=f"intraclass_{_FORMS[measure]}" if measure in _FORMS else "limits_of_agreement",
            estimate=bound.estimate if bound else None,
            lower=bound.lower if bound else None,
            upper=bound.upper if bound else None,
            **shared,
        )
