"""Observed beside expected: who is compared, with what, and when a result is flagged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl
import pytest

from pipelines.comparison.case_mix import fit_case_mix
from pipelines.comparison.compare import compare_surgeons, with_false_discoveries_controlled
from pipelines.comparison.measures import COMPARED
from pipelines.comparison.results import MeasureComparison
from pipelines.estimators.funnel import Position
from tests.pipelines.comparison.made_up import FIRST_ON, LAST_ON, sessions, table

FOLLICULITIS = COMPARED["folliculitis"]
SEVEN = {f"S{number}": 150 for number in range(1, 8)}


def compared(rows: pl.DataFrame, surgeons: Sequence[str], floor: int = 10) -> MeasureComparison:
    model = fit_case_mix(rows, FOLLICULITIS, FIRST_ON, LAST_ON, floor=floor)
    return compare_surgeons(rows, FOLLICULITIS, model, surgeons, FIRST_ON, LAST_ON, floor=floor)


def test_the_ratio_is_events_over_what_the_others_lead_to_expect() -> None:
    """By hand: S1 has 6 of 30; the others 6 of 60, so 3 are expected and the ratio is 2."""
    rows = table(["S1"] * 30 + ["S2"] * 30 + ["S3"] * 30, ([1.0] * 6 + [0.0] * 24) + ([1.0] * 3 + [0.0] * 27) * 2)
    result = compared(rows, ["S1", "S2", "S3"]).results["S1"]
    assert (result.n, result.observed) == (30, 6)
    assert result.expected == pytest.approx(3.0)
    assert result.ratio is not None
    assert result.ratio.estimate == pytest.approx(2.0)
    assert result.indirect is not None
    assert result.indirect.estimate == pytest.approx(2 * 12 / 90)
    assert result.direct is not None
    assert result.direct.estimate == pytest.approx(6 / 30)  # nothing is adjusted for: the share seen


def test_without_enough_others_nothing_is_expected() -> None:
    alone = compared(table(["S1"] * 50, [1.0, 0.0] * 25), ["S1"]).results["S1"]
    assert (alone.why_not, alone.ratio, alone.expected) == ("no_reference", None, None)
    pair = compared(table(["S1", "S2"] * 50, [1.0, 0.0, 0.0, 1.0] * 25), ["S1", "S2"]).results["S1"]
    assert pair.why_not == "no_reference"


@pytest.mark.parametrize("count", range(10))
def test_few_cases_are_told_but_not_placed(count: int) -> None:
    """With 0 to 9 sessions no surgeon has a position, and none is flagged."""
    rows = pl.concat([sessions(SEVEN), table(["few"] * count, [1.0] * count)])
    result = compared(rows, [*SEVEN, "few"]).results["few"]
    assert result.why_not == ("too_few" if count else "no_sessions")
    assert result.position is None
    assert not result.flag
    assert (result.ratio is None) == (count == 0)


def test_a_new_surgeon_is_compared_with_the_model_of_all() -> None:
    """By hand: nothing is adjusted for, 6 of 60 in the reference period, so a new surgeon's 30 let 3 be expected. Below
    the floor, a new surgeon is told that there are too few."""
    before = table(["S1", "S2"] * 30, [1.0] * 6 + [0.0] * 54)
    model = fit_case_mix(before, FOLLICULITIS, FIRST_ON, LAST_ON, floor=10)
    after = table(["new"] * 30 + ["newer"] * 4, [1.0] * 2 + [0.0] * 32)
    found = compare_surgeons(after, FOLLICULITIS, model, ["S1", "new", "newer"], FIRST_ON, LAST_ON, floor=10).results
    assert found["new"].expected == pytest.approx(3.0)
    assert found["new"].ratio is not None
    assert found["new"].ratio.estimate == pytest.approx(2 / 3)
    assert found["new"].position is not None
    assert (found["newer"].why_not, found["newer"].position) == ("too_few", None)
    assert found["S1"].why_not == "no_sessions"


def test_an_outcome_never_assessed_is_told_apart_from_none() -> None:
    rows = pl.concat([sessions(SEVEN), table(["lost"] * 20, [0.0] * 20, reason=["missed_visit"] * 20)])
    result = compared(rows, [*SEVEN, "lost"]).results["lost"]
    assert result.why_not == "none_assessed"
    assert dict(result.not_counted) == {"missed_visit": 20}


def test_no_event_among_the_others_leaves_nothing_to_compare_with() -> None:
    rows = table(["S1"] * 40 + ["S2"] * 40 + ["S3"] * 40, [1.0] * 4 + [0.0] * 116)
    result = compared(rows, ["S1", "S2", "S3"]).results["S1"]
    assert result.why_not == "nothing_expected"
    assert result.position is None


def test_a_surgeon_with_much_higher_odds_is_flagged_on_the_unfavourable_side_only() -> None:
    """The truth is stated: odds four times as high with S1, a quarter with S2."""
    several = {f"S{number}": 400 for number in range(1, 13)}
    found = compared(sessions(several, {"S1": 1.4, "S2": -1.4}), list(several))
    (found,) = with_false_discoveries_controlled([found])
    assert found.results["S1"].flag == "priority_review"
    good = found.results["S2"]
    assert not good.flag
    assert good.position is not None
    assert good.position.beyond_favourable
    assert good.ratio is not None
    assert good.ratio.upper < 1


def test_false_discoveries_are_controlled_over_the_measures_of_a_surgeon() -> None:
    """By hand (Benjamini & Hochberg): p of 0.02, 0.5, 0.9 and 0.9 become 0.08 and so on: an alert of one measure alone
    does not stand. A p of 0.0001 becomes 0.0004 and stands as a priority review."""
    base = compared(sessions(SEVEN), list(SEVEN))
    position = Position(2.0, 1.0, 2.1, 0.02, 1.0, (0.5, 1.9), (0.2, 2.5), "alert", False)
    far = replace(position, p=0.0001, flag="priority_review")

    def four(first: Position) -> list[MeasureComparison]:
        others = [replace(position, p=p, flag="") for p in (0.5, 0.9, 0.9)]
        return [replace(base, results={"S1": replace(base.results["S1"], position=one)}) for one in (first, *others)]

    near = with_false_discoveries_controlled(four(position))
    assert near[0].results["S1"].p_adjusted == pytest.approx(0.08)
    assert not near[0].results["S1"].flag
    strong = with_false_discoveries_controlled(four(far))
    assert strong[0].results["S1"].p_adjusted == pytest.approx(0.0004)
    assert strong[0].results["S1"].flag == "priority_review"


def test_case_mix_explains_what_it_should() -> None:
    """The truth is stated: no surgeon differs, but all of S1's patients smoke, whose odds are e**1.5 as high. The raw
    share of S1 is far above the others'; observed over expected is within three standard errors of 1."""
    rows = sessions({f"S{number}": 400 for number in range(2, 9)}, smoking=1.5)
    smokers = sessions({"S1": 1000}, smoking=1.5, seed=2).filter(pl.col("smoking") == "current")
    found = compared(pl.concat([rows, smokers]), [f"S{number}" for number in range(1, 9)])
    result = found.results["S1"]
    assert result.observed / result.n > 2 * rows["observed"].sum() / len(rows)
    assert result.ratio is not None
    assert abs(result.ratio.estimate - 1) < 3 * result.std_error


def test_shrunken_estimates_lie_between_the_result_and_the_average() -> None:
    found = compared(sessions(SEVEN, {"S1": 1.2, "S2": -1.2}), list(SEVEN))
    assert found.shrinkage is not None
    for result in found.results.values():
        assert result.ratio is not None
        assert result.shrunken is not None
        low, high = sorted((result.ratio.estimate, found.shrinkage.mean))
        assert low - 1e-9 <= result.shrunken.estimate <= high + 1e-9


def test_grafts_have_limits_of_the_spread_between_patients() -> None:
    """Half of the patients lose 8 of 40 and half none, so that the spread between them is far above chance."""
    measure = COMPARED["grafts_not_grown"]
    rows = table(
        [f"S{1 + place % 6}" for place in range(240)],
        [8.0 if (place // 6) % 2 else 0.0 for place in range(240)],
        weight=[40.0] * 240,
    )
    model = fit_case_mix(rows, measure, FIRST_ON, LAST_ON, floor=10)
    found = compare_surgeons(rows, measure, model, [f"S{n}" for n in range(1, 7)], FIRST_ON, LAST_ON, floor=10)
    result = found.results["S1"]
    assert result.ratio is not None
    assert result.ratio.estimate == pytest.approx(1.0)
    # by hand: losses of 4 +- 4 a patient, so the ratio of 40 patients has a standard error near 1 / sqrt(40)
    assert result.std_error == pytest.approx(40**-0.5, rel=0.05)
    assert result.position is not None
    assert not result.position.flag
