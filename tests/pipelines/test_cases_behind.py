"""The cases behind a figure are those that the figure counts. Every expectation is *by hand*."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from pipelines.cases_behind import EVENT, NO_EVENT, SERIOUS, cases_behind, figures_with_cases
from pipelines.recent_outcomes import ASKED, recent_outcomes
from registry.errors import GraftledgerError
from tests.small_registry import key, small_registry

from .follow_up.test_milestones import patients, session
from .test_recent_outcomes import LATE, told


def records() -> dict[str, list[dict[str, object]]]:
    return {
        "patient": patients("a", "b", "c"),
        "session": [session("a", 160), session("b", 150), session("c", 155)],
        "visit": [*told("a", 160, 7, 61, infection_since_last="deep"), *told("b", 150, 7, 61)],
        "complication": [{"session_key": session("a", 160)["session_key"], "kind": "infection", "severity": "severe",
                          "onset_day": 45}],
    }  # fmt: skip


def test_the_keys_of_an_infection(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records()) as registry:
        found = cases_behind(registry, "infection", LATE)
    assert found.frame["patient_key"].to_list() == [key("a"), key("c"), key("b")]
    assert Counter(found.frame["state"]) == {EVENT: 1, NO_EVENT: 1, "missed_visit": 1}
    assert found.frame.filter(found.frame["state"] == EVENT)["patient_key"].to_list() == [key("a")]


def test_every_figure_has_as_many_cases_as_it_counts(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records()) as registry:
        figures = [one.figures[0] for one in recent_outcomes(registry, (LATE,), as_of=LATE.last_on)]
        names = [name for name in figures_with_cases() if name != SERIOUS]
        assert len(names) == len(ASKED)
        for name in names:
            found = cases_behind(registry, name, LATE)
            (figure,) = (
                one
                for one in figures
                if name == one.measure or (one.at and name == f"{one.measure}-month_{round(one.at / 30.4)}")
            )
            assert found.count(EVENT) == figure.events, name
            assert found.count(EVENT) + found.count(NO_EVENT) == figure.n, name
            assert Counter(found.frame["state"]) - Counter({EVENT: 10, NO_EVENT: 10}) == Counter(figure.not_counted)


def test_severe_complications_by_kind(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records()) as registry:
        found = cases_behind(registry, SERIOUS, LATE)
    assert found.frame.select("patient_key", "state").rows() == [(key("a"), "infection")]


def test_an_unknown_figure(empty_registry: Path) -> None:
    with (
        small_registry(empty_registry, **records()) as registry,
        pytest.raises(GraftledgerError, match="Did you mean infection"),
    ):
        cases_behind(registry, "infections", LATE)
