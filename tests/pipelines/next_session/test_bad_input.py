"""Whatever stands in the records: flagged figures or a clear refusal, finite numbers, no warning."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipelines import Figure, further_sessions, next_session_causes, time_to_next_session
from pipelines.next_session import (
    next_session_differences,
    next_session_follow_up,
    next_session_sensitivity,
    next_session_summaries,
)
from registry.store import Registry
from tests.pipelines.next_session.records import FOLLOWED, patient, session, visit
from tests.small_registry import Row, on, small_registry

Records = dict[str, list[Row]]

SCENES: dict[str, Records] = {
    "nobody": {"patient": [], "session": []},
    "one patient": {"patient": [patient("a", sex="male")], "session": [session("a")]},
    "no events": {
        "patient": [patient(name, sex="male") for name in "abc"],
        "session": [session(name) for name in "abc"],
    },
    "all censored on day 0": {
        "patient": [patient(name, sex="male") for name in "abc"],
        "session": [session(name, day=FOLLOWED) for name in "abc"],
    },
    "ties everywhere": {
        "patient": [patient(name, sex="male" if name < "e" else "female") for name in "abcdefgh"],
        "session": [session(name, number, 100 * (number - 1)) for name in "abcdefgh" for number in (1, 2, 3)],
    },
    "entry after exit": {
        "patient": [patient("a", sex="male", enrolled_on=on(900)), patient("b", sex="male")],
        "session": [session("a"), session("a", 2, 500), session("b"), session("b", 2, 400)],
    },
    "a next session before the one before": {
        "patient": [patient("a", sex="male"), patient("b", sex="female")],
        "session": [session("a", 1, 500), session("a", 2, 300), session("b")],
    },
    "two sessions on one day": {
        "patient": [patient("a", sex="male"), patient("b", sex="female")],
        "session": [session("a"), session("a", 2, 0), session("b")],
    },
    "death before the session, and on its day": {
        "patient": [
            patient("a", sex="male", died_on=on(-1), status_at_last_contact="died"),
            patient("b", sex="female", died_on=on(0), status_at_last_contact="died"),
            patient("c", sex="female"),
        ],
        "session": [session(name) for name in "abc"],
    },
    "a contact before the session": {
        "patient": [patient("a", sex="male"), patient("b", sex="female")],
        "session": [session("a", day=300), session("b", day=300)],
        "visit": [visit("a", 100, "yes"), visit("b", 200, "no"), visit("b", 300, "no")],
    },
}
DAYS = [0, 1, 100, 365, FOLLOWED, 20000]
ANALYSES: dict[str, Callable[[Registry, list[str]], tuple[Figure, ...]]] = {
    **{
        f"probability {estimand} {number}": lambda registry, by, estimand=estimand, number=number: time_to_next_session(
            registry, by=by, at_days=DAYS, estimand=estimand, number=number
        )
        for estimand, number in (
            ("here", None),
            ("anywhere", None),
            ("from-first", None),
            ("here", "2"),
            ("here", "1+"),
            ("anywhere", "2"),
        )
    },
    "death": lambda registry, by: next_session_causes(registry, by=by, at_days=DAYS),
    "reason": lambda registry, by: next_session_causes(registry, competing="reason", by=by, at_days=DAYS),
    "totals": lambda registry, by: further_sessions(registry, by=by, at_days=DAYS),
    "sensitivity": lambda registry, by: next_session_sensitivity(registry, by=by, at_days=DAYS),
    "follow-up": lambda registry, by: next_session_follow_up(registry, estimand="anywhere", by=by, at_days=DAYS),
    "summaries": lambda registry, by: next_session_summaries(registry, by=by, at_days=DAYS),
    "differences": lambda registry, by: next_session_differences(registry, by=["sex"], competing="reason"),
}


def numbers(figure: Figure) -> list[float]:
    return [number for number in (figure.estimate, figure.lower, figure.upper) if number is not None]


@pytest.mark.parametrize("scene", SCENES)
def test_figures_are_finite_and_flagged(empty_registry: Path, scene: str) -> None:
    """A warning would fail the test by itself; a `Figure` refuses what is not finite, or limits the wrong way round."""
    with small_registry(empty_registry, **SCENES[scene]) as registry:
        for name, analysis in ANALYSES.items():
            for by in ([], ["sex"], ["sex", "smoking"]):
                figures: tuple[Any, ...] = analysis(registry, by)
                for figure in figures:
                    assert all(math.isfinite(number) for number in numbers(figure)), name
                    assert figure.n >= 0, name
                    if figure.n == 0 and figure.at is not None:
                        assert figure.estimate is None, name
                    if "probability" in name or name in ("death", "reason"):
                        assert all(0 <= number <= 1 for number in numbers(figure)), name
                        # so few cannot be relied on, and it says so
                        assert figure.flags, name
                        if figure.at == DAYS[-1]:
                            assert figure.estimate is None, name
