"""Verdicts by interval, their error rates, and how many cases would settle a statement."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.proportion import power_ztost_prop, proportions_ztest

from pipelines.estimators import wilson
from pipelines.expectations import LEVEL, Statement, Verdict, cases_needed, judge, judge_all
from pipelines.expectations.share_in_range import share_in_range
from pipelines.figure import Figure
from tests.small_registry import on, small_registry

AT_MOST = Statement("a", "A", "infection", 0.0, 0.1, 0.05)
ABOUT = Statement("b", "B", "infection", 0.25, 0.35, 0.3)


def figure(lower: float, upper: float, n: int = 500, *flags: str) -> Figure:
    return Figure(
        "infection", n, "sessions", "wilson", estimate=(lower + upper) / 2, lower=lower, upper=upper, level=LEVEL,
        flags=flags,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("statement", "seen", "verdict"),
    [
        (AT_MOST, figure(0.02, 0.1), Verdict.SUPPORTED),
        (AT_MOST, figure(0.08, 0.12), Verdict.CANNOT_TELL),
        (AT_MOST, figure(0.11, 0.2), Verdict.NOT_SUPPORTED),
        (ABOUT, figure(0.26, 0.34), Verdict.SUPPORTED),
        (ABOUT, figure(0.2, 0.3), Verdict.CANNOT_TELL),
        (ABOUT, figure(0.2, 0.4), Verdict.CANNOT_TELL),
        (ABOUT, figure(0.1, 0.2), Verdict.NOT_SUPPORTED),
        (ABOUT, figure(0.4, 0.5), Verdict.NOT_SUPPORTED),
        (AT_MOST, figure(0.02, 0.05, 5, "too_few"), Verdict.CANNOT_TELL),
    ],
)
def test_the_whole_interval_decides(statement: Statement, seen: Figure, verdict: Verdict) -> None:
    found = judge(statement, seen)
    assert found.verdict is verdict
    assert (found.cases_needed is None) == (verdict is not Verdict.CANNOT_TELL)


@pytest.mark.parametrize("n", [40, 150, 600])
def test_supported_is_what_two_one_sided_tests_reject(n: int) -> None:
    """*Other software*: statsmodels, the score test of a share at either limit. Wilson's 90 % interval inverts it, so
    the verdicts must be the same for every count: supported where both tests reject at 5 %."""
    for count in range(n + 1):
        share = wilson(count, n, LEVEL)
        seen = Figure(
            "infection", n, "sessions", "wilson", estimate=share.estimate, lower=share.lower, upper=share.upper,
            level=LEVEL,
        )  # fmt: skip
        p_values = [
            proportions_ztest(count, n, limit, alternative, prop_var=limit)[1]
            for limit, alternative in ((ABOUT.low, "larger"), (ABOUT.high, "smaller"))
        ]
        assert (judge(ABOUT, seen).verdict is Verdict.SUPPORTED) == (max(p_values) < 0.05), count


def test_without_an_estimate_it_cannot_be_told() -> None:
    assert judge(AT_MOST, Figure("infection", 0, "sessions", "wilson", level=LEVEL)).verdict is Verdict.CANNOT_TELL


def verdicts(statement: Statement, truth: float, n: int, samples: int = 4000) -> dict[Verdict, float]:
    """How often each verdict is given, over registries of n cases with this true share."""
    draws, counts = np.unique(np.random.default_rng(n).binomial(n, truth, samples), return_counts=True)
    found = dict.fromkeys(Verdict, 0.0)
    for events, count in zip(draws.tolist(), counts.tolist(), strict=True):
        limits = wilson(events, n, LEVEL)
        seen = Figure(
            "infection", n, "sessions", "wilson", estimate=limits.estimate, lower=limits.lower, upper=limits.upper,
            level=LEVEL,
        )  # fmt: skip
        found[judge(statement, seen).verdict] += count / samples
    return found


THREE_ERRORS = 3 * math.sqrt(0.05 * 0.95 / 4000)


@pytest.mark.parametrize(
    ("statement", "truth"), [(AT_MOST, 0.1001), (AT_MOST, 0.13), (ABOUT, 0.2499), (ABOUT, 0.3501), (ABOUT, 0.42)]
)
@pytest.mark.parametrize("n", [200, 1000])
def test_a_false_statement_is_rarely_supported(statement: Statement, truth: float, n: int) -> None:
    """At most 5 of 100, and a little for the discreteness of counts (Wilson limits are not exact)."""
    assert verdicts(statement, truth, n)[Verdict.SUPPORTED] <= 0.05 + 0.012 + THREE_ERRORS


@pytest.mark.parametrize(("statement", "truth"), [(AT_MOST, 0.0999), (AT_MOST, 0.05), (ABOUT, 0.2501), (ABOUT, 0.3)])
@pytest.mark.parametrize("n", [200, 1000])
def test_a_true_statement_is_rarely_called_unsupported(statement: Statement, truth: float, n: int) -> None:
    assert verdicts(statement, truth, n)[Verdict.NOT_SUPPORTED] <= 0.05 + 0.012 + THREE_ERRORS


@pytest.mark.parametrize("statement", [AT_MOST, ABOUT, Statement("c", "C", "graft_survival", 0.9, 1.0, 0.95)])
def test_so_many_cases_give_80_percent_power(statement: Statement) -> None:
    """By simulation of the rule itself; the formula is a normal approximation, so within 6 of 100."""
    n = cases_needed(statement)
    assert n is not None
    assert verdicts(statement, statement.if_true, n)[Verdict.SUPPORTED] == pytest.approx(0.8, abs=0.06)


def test_two_limits_against_other_software() -> None:
    """*Other software*: statsmodels `power_ztost_prop`, exact power of two one-sided z tests."""
    n = cases_needed(ABOUT)
    assert n is not None
    power = power_ztost_prop(0.25, 0.35, n, 0.3, alpha=0.05)[0]
    assert power == pytest.approx(0.8, abs=0.03)


def test_one_limit_by_hand() -> None:
    """*By hand*: z 1.645 and 0.842; (1.645 x 0.3 + 0.842 x 0.218)^2 / 0.05^2 = 183.5."""
    assert cases_needed(AT_MOST) == 184
    assert cases_needed(AT_MOST, 2.0) == 367
    assert cases_needed(Statement("d", "D", "infection", 0.0, 0.1, 0.1)) is None
    assert cases_needed(Statement("e", "E", "infection", 0.0, 1.0, 0.5)) is None


def test_clusters_and_losses_ask_for_more_cases() -> None:
    """*By hand*: an interval twice as wide as that of independent cases asks for four times as many."""
    half = 1.6448536 * math.sqrt(0.09 * 0.91 / 500)
    narrow = judge(AT_MOST, figure(0.09 - half, 0.09 + half))
    wide = judge(AT_MOST, figure(0.09 - 2 * half, 0.09 + 2 * half))
    assert narrow.cases_needed == pytest.approx(184, abs=2)
    assert wide.cases_needed == pytest.approx(4 * 184, abs=6)


def test_range_by_hand_and_by_group(empty_registry: Path) -> None:
    """*By hand*: of lengths 3, 4, 7.5 and 8 hours two lie in 3.5 to 7.5; one session has none."""
    sessions = [
        {
            "session_key": f"s{number}",
            "patient_key": f"p{number}",
            "duration_hours": hours,
            "technique": "strip" if number < 3 else "combined",
        }
        for number, hours in enumerate([3, 4, 7.5, 8, None])
    ]
    visits = [{"session_key": "s0", "visited_on": on(9), "sutures_out_on": on(7)}]
    patients = [{"patient_key": f"p{number}"} for number in range(5)]
    with small_registry(empty_registry, patient=patients, session=sessions, visit=visits) as registry:
        (length,) = share_in_range(registry, "session_length", (3.5, 7.5))
        groups = {
            found.group["technique"]: found
            for found in share_in_range(registry, "session_length", (3.5, 7.5), by=("technique",))
        }
        (sutures,) = share_in_range(registry, "sutures_out_day", (7, 14))
    assert (length.n, length.events, length.estimate, dict(length.not_counted)) == (4, 2, 0.5, {"item_empty": 1})
    assert (groups["strip"].estimate, groups["combined"].estimate) == (pytest.approx(2 / 3), 0.0)
    assert groups["follicular_unit_excision"].n == 0
    assert (sutures.n, sutures.events, dict(sutures.not_counted)) == (1, 1, {"item_empty": 4})


def test_every_statement_of_the_starter_list_meets_a_figure(empty_registry: Path) -> None:
    from pipelines.expectations import load_statements

    statements = load_statements(None)
    with small_registry(
        empty_registry, patient=[{"patient_key": "p"}], session=[{"session_key": "s", "patient_key": "p"}]
    ) as registry:
        judged = judge_all(registry, statements)
        by_sex = judge_all(registry, statements[:2], by=("sex",))
    assert [found.statement for found in judged] == list(statements)
    assert {found.verdict for found in judged} == {Verdict.CANNOT_TELL}
    assert len(by_sex) > 2 * 4
