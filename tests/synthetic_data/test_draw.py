"""Random draws."""

from __future__ import annotations

import re

import numpy as np
import polars as pl
import pytest

from registry.definition._field import PSEUDONYM_PATTERN
from synthetic_data._draw import (
    checked_codes,
    code_column,
    day_column,
    keys,
    labels,
    nullable,
    pick,
    pick_by_row,
    stream,
)


def test_streams_of_different_names_differ_and_repeat() -> None:
    first, again = stream(3, "a").random(5), stream(3, "a").random(5)
    assert (first == again).all()
    assert not (first == stream(3, "b").random(5)).any()
    assert not (first == stream(4, "a").random(5)).any()


def test_keys_are_unlike_numbers_in_sequence() -> None:
    made = keys(stream(1, "keys"), 10_000).to_list()
    assert len(set(made)) == 10_000
    assert all(re.fullmatch(PSEUDONYM_PATTERN, key) for key in made[:200])
    assert made != sorted(made)
    # by hand: 31 of 32 letters expected to differ between neighbours, at each of 20 places
    differing = [sum(a != b for a, b in zip(left, right, strict=True)) for left, right in zip(made, made[1:])]  # noqa: B905, RUF007
    assert 19.2 < np.mean(differing) < 19.55


def test_no_keys() -> None:
    assert keys(stream(1, "keys"), 0).to_list() == []


def test_pick_follows_relative_shares() -> None:
    counts = np.bincount(pick(stream(1, "pick"), 100_000, (2.0, 0.0, 6.0)), minlength=3)
    assert counts[1] == 0
    assert counts[0] == pytest.approx(25_000, abs=4 * 137)  # four binomial standard deviations


def test_pick_by_row_never_takes_a_share_of_zero() -> None:
    shares = np.tile([[0.0, 1.0, 0.0], [0.5, 0.0, 0.5]], (5000, 1))
    drawn = pick_by_row(stream(1, "rows"), shares)
    assert (drawn[::2] == 1).all()
    assert set(drawn[1::2]) == {0, 2}


def test_columns_are_empty_where_missing() -> None:
    missing = np.array([False, True, False])
    assert labels(("a", "b"), np.array([1, 0, 0]), missing).to_list() == ["b", None, "a"]
    assert nullable(np.array([1, 2, 3]), missing, pl.Int32).to_list() == [1, None, 3]
    assert day_column(np.array([0, 5, 365]), missing).cast(pl.String).to_list() == ["1970-01-01", None, "1971-01-01"]


def test_an_unknown_code_is_refused() -> None:
    with pytest.raises(ValueError, match="no code"):
        checked_codes("session", "technique", ("strip", "telepathy"))
    with pytest.raises(ValueError, match="no code"):
        code_column(stream(1, "x"), 3, "patient", "smoking", {"sometimes": 1.0})
