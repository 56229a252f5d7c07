"""Harrell's and Uno's c against other software and by counting pairs."""

from typing import Any

import numpy as np
import pytest

from pipelines.regression.concordance import Kind, concordance
from pipelines.regression.cox import fit_cox
from pipelines.regression.spells import Spells


@pytest.mark.parametrize(
    ("name", "expected", "kind", "up_to"),
    [
        ("lung", "lung_harrell", "harrell", None),
        ("lung", "lung_uno", "uno", None),
        ("lung", "lung_uno_to_500", "uno", 500),
        ("lung_months", "months_harrell", "harrell", None),
        ("heart", "heart_harrell", "harrell", None),
    ],
)
def test_other_software_r_concordance(
    name: str,
    expected: str,
    kind: Kind,
    up_to: float | None,
    spells_by_name: dict[str, Spells],
    cox_results: Any,
) -> None:
    """Other software: R concordance with timewt n and n/G2; delayed entry, strata, clusters; tests/reference/cox.R."""
    spells = spells_by_name[name]
    got = concordance(spells, spells.x @ fit_cox(spells).coefficients, kind, up_to)
    assert got.c == pytest.approx(cox_results["concordance"][expected]["c"], abs=1e-8)
    assert got.standard_error == pytest.approx(cox_results["concordance"][expected]["std_error"], rel=1e-6)


def test_other_software_lifelines(spells_by_name: dict[str, Spells]) -> None:
    """Other software: lifelines concordance_index (Harrell)."""
    from lifelines.utils import concordance_index

    spells = spells_by_name["lung"]
    predictor = spells.x @ fit_cox(spells).coefficients
    assert concordance(spells, predictor).c == pytest.approx(
        concordance_index(spells.exit, -predictor, spells.event), abs=1e-12
    )


def test_by_counting_pairs() -> None:
    """By hand: every pair looked at, with ties in days and predictor, delayed entry and strata."""
    random = np.random.default_rng(11)
    n = 120
    exits = random.integers(2, 15, n).astype(float)
    entry = np.where(random.random(n) < 0.4, np.floor(exits * random.random(n)), -np.inf)
    event, stratum = random.random(n) < 0.6, random.integers(0, 2, n)
    predictor = random.integers(0, 6, n).astype(float)
    spells = Spells(np.zeros((n, 1)), ("x",), entry, exits, event, stratum, np.arange(n))
    right = pairs = 0.0
    for one in np.flatnonzero(event):
        for other in range(n):
            later = exits[other] > exits[one] or (exits[other] == exits[one] and not event[other])
            if later and entry[other] < exits[one] and stratum[other] == stratum[one]:
                pairs += 1
                right += (predictor[one] > predictor[other]) + 0.5 * (predictor[one] == predictor[other])
    got = concordance(spells, predictor)
    assert got.pairs == pairs
    assert got.c == pytest.approx(right / pairs, abs=1e-12)


def test_no_pair_gives_no_number() -> None:
    spells = Spells(
        np.zeros((1, 1)),
        ("x",),
        np.array([-np.inf]),
        np.array([3.0]),
        np.array([True]),
        np.zeros(1, int),
        np.zeros(1, int),
    )
    assert concordance(spells, np.zeros(1)).c is None


def test_uno_refuses_delayed_entry(spells_by_name: dict[str, Spells]) -> None:
    with pytest.raises(ValueError, match="delayed entry"):
        concordance(spells_by_name["heart"], np.zeros(spells_by_name["heart"].size), "uno")
