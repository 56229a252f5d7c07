"""k and l of the level anonymous, as an independent library counts them.

Expected: *other software*, pycanon 1.3.6, by `tests/reference/k_anonymity.py`, on 600 fictional patients as they are
recorded and as they are shown. Its alpha is the largest share of a group with one and the same answer that could harm:
below 1 no group gives an answer away, which is our l = 2.
"""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from pipelines.exports.k_anonymity import reach_anonymity, risk_of
from pipelines.exports.quasi_identifiers import SENSITIVE, quasi_identifiers

REFERENCE = Path(__file__).parents[2] / "reference"
TOLD = json.loads((REFERENCE / "k_anonymity.json").read_text(encoding="utf-8"))
KNOWN = pl.read_csv(REFERENCE / "data" / "known_outside.csv")


def shown_now(k: int) -> pl.DataFrame:
    identifiers = quasi_identifiers(KNOWN, k)
    reached = reach_anonymity(KNOWN, identifiers, k)
    forms = pl.DataFrame([q.forms[reached.chosen[q.name]].values.alias(q.name) for q in identifiers])
    return forms.hstack(KNOWN.select(*SENSITIVE)).filter(reached.kept)


def smallest_group(table: pl.DataFrame) -> int:
    sizes = table.group_by(pl.exclude(*SENSITIVE)).len().get_column("len").to_list()
    return risk_of(sizes, 11).smallest


def test_it_speaks_of_what_is_shown_now() -> None:
    kept = pl.read_csv(REFERENCE / "data" / "shown_anonymous.csv", infer_schema=False)
    assert_frame_equal(shown_now(11).cast(pl.String), kept)
    assert kept.height == TOLD["shown_anonymous"]["patients"]


def test_the_same_k() -> None:
    assert smallest_group(KNOWN) == TOLD["known_outside"]["k"] == 1
    assert smallest_group(shown_now(11)) == TOLD["shown_anonymous"]["k"] >= 11


def test_no_group_shares_an_answer_that_could_harm() -> None:
    assert set(TOLD["shown_anonymous"]["alpha"]) == set(SENSITIVE)
    assert max(TOLD["known_outside"]["alpha"].values()) == 1.0  # as recorded some do
    assert max(TOLD["shown_anonymous"]["alpha"].values()) < 1.0
