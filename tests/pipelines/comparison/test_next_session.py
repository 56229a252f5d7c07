"""Next sessions seen beside those expected."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipelines.comparison.next_session import next_sessions
from pipelines.regression.baseline import expected_events
from pipelines.regression.cox import fit_cox
from pipelines.regression.spells import Spells
from registry.store import open_registry
from synthetic_data import SURGEONS
from synthetic_data.clinics import DATA_DATE
from tests.small_registry import insert_rows, on


def spells(seed: int = 1, n: int = 400) -> Spells:
    random = np.random.default_rng(seed)
    x = random.normal(size=(n, 2))
    return Spells(
        x,
        ("a", "b"),
        np.where(random.random(n) < 0.3, 20.0, -np.inf),
        np.ceil(random.exponential(300, n)) + 21,
        random.random(n) < 0.5,
        np.zeros(n, dtype=np.int64),
        np.arange(n),
    )


def test_events_expected_of_the_fitted_spells_add_up_to_those_seen() -> None:
    """By hand: cumulative hazards of the fitted spells sum to the events, whatever the coefficients (ties after Efron
    leave a small rest)."""
    fitted = spells()
    found = expected_events(fitted, fit_cox(fitted).coefficients, fitted)
    assert found.sum() == pytest.approx(fitted.event.sum(), rel=0.01)


def test_without_columns_it_is_the_cumulative_hazard_over_the_time_observed() -> None:
    """By hand: of three spells that end on days 1, 2 and 3, the hazards are 1/3, 1/2 and 1."""
    none = np.zeros((3, 0))
    days = np.array([1.0, 2.0, 3.0])
    whose = np.arange(3)
    yes = np.ones(3, dtype=bool)
    fitted = Spells(none, (), np.full(3, -np.inf), days, yes, np.zeros(3, dtype=np.int64), whose)
    late = Spells(none, (), np.array([-np.inf, 1.0, 2.0]), np.array([9.0, 2.0, 3.0]), yes, whose * 0, whose)
    assert expected_events(fitted, np.zeros(0), late).tolist() == pytest.approx([1 / 3 + 1 / 2 + 1, 1 / 2, 1])


def test_the_fictional_surgeons_do_not_differ(practice_folder: Path) -> None:
    """The truth is stated: the model gives no surgeon an effect on next sessions. Of ten 95% intervals, at most two
    leave out 1 (three or more happen once in 80 times)."""
    with open_registry(practice_folder) as registry:
        found = [next_sessions(registry, code, as_of=DATA_DATE) for code in SURGEONS]
    outside = 0
    for ratio, expected in found:
        assert ratio.estimate is not None
        assert expected.estimate is not None
        assert ratio.estimate * expected.estimate == pytest.approx(ratio.events)
        assert ratio.lower is not None
        assert ratio.upper is not None
        outside += not ratio.lower <= 1 <= ratio.upper
        assert not set(ratio.flags) & {"alert", "priority_review"}
    assert outside <= 2


def test_one_surgeon_alone_has_nothing_to_expect(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(registry, "patient", [{"patient_key": f"p{n}", "last_contact_on": on(900)} for n in range(12)])
        insert_rows(registry, "session", [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(12)])
        insert_rows(registry, "site_period", [{"site_code": "A"}])
        ratio, expected = next_sessions(registry, "S1")
    assert (ratio.n, ratio.events, ratio.estimate, expected.estimate) == (12, 0, None, None)
