"""Means of ratings and of widths of scars. Every expectation is *by hand* unless it says otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.ratings_and_scars import ratings_and_scars
from registry.milestones import MONTH_6
from tests.small_registry import on, small_registry

from .follow_up.test_milestones import patients, session, visits


def test_means_over_sessions_and_who_is_missing(empty_registry: Path) -> None:
    """Ratings at month 6: 8 of a, 4 of b; c came and was not asked, d missed it. Scars: 2 mm of a, 1 mm of b."""
    records = {
        "patient": patients("a", "b", "c", "d"),
        "session": [*(session(name) for name in "abc"), session("d", technique="follicular_unit_excision")],
        "visit": [
            {**visits("a", 182)[0], "satisfaction": 8},
            {**visits("b", 170)[0], "satisfaction": 4},
            {**visits("c", 190)[0]},
            {**visits("a", 365)[0], "scar_width_mm": 2.0},
            {**visits("b", 366)[0], "scar_width_mm": 1.0},
        ],
    }
    with small_registry(empty_registry, **records) as registry:
        figures = ratings_and_scars(registry)
    month_6, scar = figures[0], figures[-1]
    assert (month_6.at, month_6.n, month_6.n_clusters, month_6.estimate) == (MONTH_6.due, 2, 2, 6.0)
    assert month_6.not_counted == {"missed_visit": 1, "item_empty": 1}
    assert (scar.n, scar.estimate) == (2, 1.5)
    assert scar.not_counted == {"item_empty": 1}
    assert "too_few" in scar.flags


def test_limits(empty_registry: Path) -> None:
    """*By hand*, from the stated formula: 20 ratings, ten of 6 and ten of 8, one a patient; p = 0.7,
    se = sqrt(20 / 19 * 20 * 0.01 / 20 ** 2) = 0.022942, t(0.975, 19) = 2.093024 (*recalled* table value),
    logit limits 1 / (1 + exp(-(0.847298 -+ 2.093024 * 0.022942 / 0.21)))."""
    names = [f"p{number}" for number in range(20)]
    records = {
        "patient": patients(*names),
        "session": [session(name) for name in names],
        "visit": [{**visits(name, 182)[0], "satisfaction": 6 + 2 * (at % 2)} for at, name in enumerate(names)],
    }
    with small_registry(empty_registry, **records) as registry:
        figure = ratings_and_scars(registry)[0]
    assert (figure.lower, figure.upper) == pytest.approx((6.4988, 7.4570), abs=2e-3)


def test_one_patient_has_no_limits_and_nobody_no_mean(empty_registry: Path) -> None:
    records = {
        "patient": patients("a"),
        "session": [session("a")],
        "visit": [{**visits("a", 182)[0], "satisfaction": 9, "visited_on": on(182)}],
    }
    with small_registry(empty_registry, **records) as registry:
        first, second, *_ = ratings_and_scars(registry)
    assert (first.estimate, first.lower) == (9.0, None)
    assert (second.estimate, second.n) == (None, 0)
