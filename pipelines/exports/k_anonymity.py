"""k-anonymity and l-diversity: forms are made coarser one at a time, and few patients left out, until both hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from registry.errors import GraftledgerError

from .quasi_identifiers import SENSITIVE, QuasiIdentifier

if TYPE_CHECKING:
    import polars as pl

MOST_LEFT_OUT = 0.05
"""Patients that may be left out rather than making everybody's answers coarser. Common practice, no source."""
SIZES = ((1, 1), (2, 4), (5, 10), (11, 20), (21, 50), (51, 100), (101, None))


@dataclass(frozen=True)
class Risk:
    """How many patients share what somebody outside may know of them.

    smallest: size of the smallest group. unique: patients alone in theirs; below_k: in groups smaller than k.
    sizes: groups and patients by size of the group.
    """

    patients: int
    smallest: int
    unique: int
    below_k: int
    sizes: tuple[tuple[str, int, int], ...]


@dataclass(frozen=True, eq=False)
class Anonymity:
    """What makes the level hold. chosen: form of each quasi-identifier by name. kept: one yes or no a patient."""

    chosen: Mapping[str, int]
    kept: pl.Series


def reach_anonymity(people: pl.DataFrame, identifiers: Sequence[QuasiIdentifier], k: int) -> Anonymity:
    """Choose forms so that every patient shares theirs with k - 1 others or more, and no group gives an answer away.

    Among all combinations of forms that leave at most 5 % of the patients in groups that break either, the one that
    tells most: each quasi-identifier gives the square root (the first distinctions are worth most) of the share of
    its information (Shannon entropy) that its form keeps, times its place in the order; a rule of thumb, no source.
    Those 5 % are left out. k-anonymity is no promise against somebody who knows more than the quasi-identifiers.
    people: as `quasi_identifiers` takes them, with the answers of SENSITIVE.
    Raises: GraftledgerError where the level cannot be reached.
    Source: Sweeney 2002, Int J Uncertain Fuzz 10:557-570 (k-anonymity); Machanavajjhala et al. 2007, ACM TKDD 1:3
    (l-diversity; here distinct, l = 2, for answers that could harm).
    """
    import polars as pl

    columns = {
        _column(q.name, number): form.values.alias(_column(q.name, number))
        for q in identifiers
        for number, form in enumerate(q.forms)
    }
    whole = pl.DataFrame(list(columns.values())).hstack(people.select(*SENSITIVE))
    cells = whole.group_by(whole.columns).len("n")
    most = int(MOST_LEFT_OUT * people.height)
    ordered = _by_what_they_tell(identifiers)
    chosen = next((forms for forms in ordered if _broken(cells, forms, k) <= most), None)
    if chosen is None:
        raise GraftledgerError(
            "The level anonymous cannot be reached: too many of these patients share what somebody outside may know "
            f"with fewer than {k - 1} others, however coarse. Take a larger cohort, or the level limited under an "
            "agreement."
        )
    groups = _groups(whole.with_columns(n=pl.lit(1)), chosen, k)
    own = [_column(name, form) for name, form in chosen.items()]
    judged = whole.select(own).join(groups, on=own, how="left", nulls_equal=True, maintain_order="left")
    kept = ~judged.get_column("breaks")
    if int(kept.sum()) < k:
        raise GraftledgerError("The level anonymous cannot be reached: nobody would be left. Take a larger cohort.")
    return Anonymity(chosen, kept)


def risk_of(groups: Sequence[int], k: int) -> Risk:
    """The risk, from the sizes of the groups."""
    sizes = []
    for low, high in SIZES:
        inside = [size for size in groups if low <= size <= (high or size)]
        words = f"{low} or more" if high is None else f"{low}" if low == high else f"{low}-{high}"
        sizes.append((words, len(inside), sum(inside)))
    return Risk(
        sum(groups),
        min(groups, default=0),
        sum(size for size in groups if size == 1),
        sum(size for size in groups if size < k),
        tuple(sizes),
    )


def _by_what_they_tell(identifiers: Sequence[QuasiIdentifier]) -> list[dict[str, int]]:
    """Every combination of forms, the one that tells most first."""
    kept = {}
    for place, q in enumerate(identifiers, start=1):
        told = [float(form.values.value_counts().get_column("count").entropy(base=2.0) or 0.0) for form in q.forms]
        kept[q.name] = [place * (bits / told[0]) ** 0.5 if told[0] > 0.0 else 0.0 for bits in told]
    combinations = product(*(range(len(q.forms)) for q in identifiers))
    named = [dict(zip(kept, forms, strict=True)) for forms in combinations]
    return sorted(named, key=lambda forms: -sum(kept[name][form] for name, form in forms.items()))


def _column(name: str, form: int) -> str:
    return f"{name}:{form}"


def _broken(cells: pl.DataFrame, chosen: Mapping[str, int], k: int) -> int:
    """Patients in groups that break k-anonymity or l-diversity."""
    import polars as pl

    return int(_groups(cells, chosen, k).filter(pl.col("breaks")).get_column("n").sum())


def _groups(cells: pl.DataFrame, chosen: Mapping[str, int], k: int) -> pl.DataFrame:
    """Each group with its size and whether it breaks either."""
    import polars as pl

    gives_away = [
        (pl.col(name).n_unique() == 1) & (pl.col(name).first() != harmless).fill_null(False)
        for name, harmless in SENSITIVE.items()
    ]
    return cells.group_by([_column(name, form) for name, form in chosen.items()]).agg(
        pl.col("n").sum(), ((pl.col("n").sum() < k) | pl.any_horizontal(gives_away)).alias("breaks")
    )
