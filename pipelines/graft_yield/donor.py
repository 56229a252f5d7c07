"""How much of the donor supply was taken, session by session."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from registry.store import Registry

from .._queries import SESSION_HERE, rows
from ..estimators import clustered_ratio
from ..figure import Figure
from ..graft_measures import (
    DISCARDED,
    DONOR_DENSITY,
    GRAFTS_PLACED_SO_FAR,
    GRAFTS_TAKEN_SO_FAR,
    HAIRS_PER_GRAFT,
    TAKEN_PER_DENSITY,
    TRANSECTED,
)
from ..groups import EVERYBODY, Chosen, all_groups, chosen_fields, group_columns, shared_texts, shared_values
from .areas import ratio_sums

LAST_NUMBER = 4
"""Sessions from this number on stand together."""
_MEASURES: Mapping[str, tuple[str, str]] = {
    GRAFTS_PLACED_SO_FAR: ("placed_so_far", "one"),
    GRAFTS_TAKEN_SO_FAR: ("taken_so_far", "one"),
    TAKEN_PER_DENSITY: ("area_so_far", "one"),
    DONOR_DENSITY: ("density", "one"),
    TRANSECTED: ("transected", "taken"),
    DISCARDED: ("discarded", "taken"),
    HAIRS_PER_GRAFT: ("hairs", "sized"),
}
"""Numerator and denominator of each measure; a session without either is left out."""


def donor_use(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Grafts placed and taken up to each session of a patient, what was lost on the way, and the mix of grafts.

    Estimator: means and ratios of sums by number of session, with limits that take the patient as the unit
    (`clustered_ratio`). Up to a session: over all the patient's sessions known by then; where one of them does not say,
    such as a session elsewhere, the sum is not known and the session is left out, not counted as less. So they run
    over patients whose every session is recorded. Donor area with as many units as were taken: grafts taken / donor
    density before the first surgery, in cm2: a size to picture, no limit. No lifetime ceiling is stated, since none is
    known: a donor area has another size, and another share that may be taken, in each patient. Where the donor is beard
    or body too, grafts from there are in the sums.
    Hairs per graft: 1, 2, 3 and 4 (four or more, so a little low), where all four counts are given.
    Assumes: sessions recorded in full are like the others. Misleads by session number: those who had a third session
    are other patients than those who had one.

    by, chosen, as_of, level: as `graft_survival`.
    Returns figures by group, then measure, then session number (group `session`): n sessions in n_clusters patients;
    events and at_risk the sums where the measure is a share. not_counted: sessions of that number left out, by reason.
    Raises: GraftledgerError for an unknown field.
    Source: as `clustered_ratio`.
    """
    fields = chosen_fields(by, registry.settings)
    columns = group_columns(fields)
    table = rows(
        registry,
        (*SESSION_HERE, "donor_session"),
        "from donor_session order by all",
        {**shared_values(registry.settings, as_of, chosen), "last_number": LAST_NUMBER},
        shared_texts(fields, chosen),
    )
    figures: list[Figure] = []
    found = set(table.select(columns).unique().iter_rows())
    for group in all_groups(fields, found, chosen):
        named = dict(zip((field.name for field in fields), group, strict=True))
        own = table
        for column, value in zip(columns, group, strict=True):
            own = own.filter(pl.col(column) == value)
        for measure in _MEASURES:
            figures += _by_number(own, measure, named, level, registry.settings.floor_denominator)
    return tuple(figures)


def _by_number(
    sessions: pl.DataFrame, measure: str, named: Mapping[str, str], level: float, floor: int
) -> Iterator[Figure]:
    y, x = _MEASURES[measure]
    share = measure in (TRANSECTED, DISCARDED)
    for number in range(1, LAST_NUMBER + 1):
        all_of_number = sessions.filter(pl.col("number") == number)
        usable = all_of_number.filter((pl.col("barred").is_null()) & pl.col(y).is_not_null() & (pl.col(x) > 0))
        patients = usable["patient_key"].n_unique()
        barred = all_of_number.drop_nulls("barred").group_by("barred").len().sort("barred")
        left_out = {reason: int(count) for reason, count in barred.iter_rows()}
        empty = len(all_of_number) - len(usable) - sum(left_out.values())
        told: dict[str, Any] = {}
        if sums := ratio_sums(usable, y, x):
            ratio = clustered_ratio(sums, level)
            told = {"estimate": ratio.estimate, "lower": ratio.lower, "upper": ratio.upper}
        label = f"{number} or later" if number == LAST_NUMBER else str(number)
        yield Figure(
            measure,
            n=len(usable),
            n_unit="sessions",
            n_clusters=patients,
            method="clustered_ratio",
            group={**named, "session": label},
            level=level,
            events=int(usable[y].sum()) if share else None,
            at_risk=int(usable[x].sum()) if share else None,
            not_counted={**left_out, **({"item_empty": empty} if empty else {})},
            flags=("too_few",) if patients < floor else (),
            **told,
        )
