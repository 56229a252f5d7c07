"""Which covariates enter, and how small levels are pooled: by hand."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipelines.next_session_model.covariates import COVARIATES
from pipelines.next_session_model.preparing import Remark, pooled_levels, prepared

FLOOR = 10


def rows(n: int = 100, **columns: list[Any]) -> pl.DataFrame:
    """Spells in which every covariate has two good levels, but for the columns given; every other one has an event."""
    plain: dict[str, list[Any]] = {
        covariate.name: (
            [covariate.levels[number % 4 // 2] for number in range(n)]
            if covariate.levels
            else [20 + number % 40 for number in range(n)]
        )
        for covariate in COVARIATES
    }
    return pl.DataFrame({**plain, "had_event": [number % 2 == 0 for number in range(n)], **columns}, strict=False)


def remarks_on(name: str, frame: pl.DataFrame) -> list[Remark]:
    return [remark for remark in prepared(frame, FLOOR).remarks if remark.covariate == name]


def test_nothing_is_said_where_nothing_is_done() -> None:
    plan = prepared(rows(), FLOOR)
    assert plan.remarks == ()
    assert [one.name for one in plan.used] == [covariate.name for covariate in COVARIATES]
    assert not plan.left_out


def test_the_smallest_stage_joins_its_smaller_neighbour() -> None:
    tallies = {"I": (4, 1), "II": (40, 9), "III": (90, 20), "IV": (90, 20), "V": (9, 2)}
    groups = pooled_levels(list(tallies), tallies, [tuple(tallies)], FLOOR)
    assert groups == [["I", "II"], ["III"], ["IV", "V"]]


def test_small_levels_of_no_family_stand_together() -> None:
    tallies = {"a": (90, 20), "b": (5, 2), "c": (6, 4), "d": (90, 30)}
    assert pooled_levels(list(tallies), tallies, (), FLOOR) == [["a"], ["d"], ["b", "c"]]


def test_pooled_levels_are_told_with_their_patients() -> None:
    curl = ["straight"] * 90 + ["curly"] * 6 + ["coiled"] * 4
    assert remarks_on("hair_curl", rows(hair_curl=curl)) == [Remark("pooled", "hair_curl", ("curly", "coiled"), 10)]


def test_a_level_without_a_next_session_is_left_out_and_told() -> None:
    sex = ["male"] * 60 + ["female"] * 37 + ["intersex"] * 3
    frame = rows(sex=sex, had_event=[number % 2 == 0 and number < 97 for number in range(100)])
    plan = prepared(frame, FLOOR)
    assert plan.left_out == {"sex": ("intersex",)}
    assert Remark("level_left_out", "sex", ("intersex",), 3) in plan.remarks
    assert len(plan.kept(frame)) == 97


def test_whoever_lacks_the_covariate_is_not_left_out_with_a_level() -> None:
    sex = ["male"] * 60 + [None] * 37 + ["intersex"] * 2 + ["female"]
    frame = rows(sex=sex, had_event=[number % 2 == 0 and number < 97 for number in range(100)])
    plan = prepared(frame, FLOOR)
    assert "sex" not in [one.name for one in plan.used]  # one group is left
    assert len(plan.kept(frame)) == 100


def test_a_covariate_that_is_all_or_mostly_missing_is_left_out_and_told() -> None:
    assert remarks_on("hair_calibre_um", rows(hair_calibre_um=[None] * 100))[0] == Remark(
        "mostly_missing", "hair_calibre_um", n=100
    )
    assert remarks_on("family_history", rows(family_history=["none"] * 49 + [None] * 51))[0].kind == "mostly_missing"


def test_a_covariate_with_one_value_is_left_out_and_told() -> None:
    assert remarks_on("sex", rows(sex=["male"] * 100))[0].kind == "one_value"
    assert remarks_on("age_at_first_surgery_years", rows(age_at_first_surgery_years=[40] * 100))[0].kind == "one_value"


def test_age_with_two_values_is_a_straight_line() -> None:
    frame = rows(age_at_first_surgery_years=[30] * 50 + [50] * 50)
    assert remarks_on("age_at_first_surgery_years", frame)[0].kind == "straight"


def test_the_reference_is_none_or_the_commonest() -> None:
    plan = prepared(rows(family_history=["paternal"] * 60 + ["none"] * 40, sex=["male"] * 30 + ["female"] * 70), FLOOR)
    groups = {one.name: one.groups for one in plan.used}
    assert groups["family_history"][0] == "none"
    assert groups["sex"] == ("female", "male")
