"""The risk table. Expected values are by hand unless marked otherwise."""

import polars as pl
import pytest

from pipelines.estimators import CountsError, risk_table
from pipelines.estimators.counts import checked_counts


def test_late_entry_counts_from_the_day_after() -> None:
    """By hand: A 0-4 event, B 2-4 censored, C 4-6 event. On day 4 C is not yet at risk."""
    spells = pl.DataFrame({"entry_day": [0, 2, 4], "exit_day": [4, 4, 6], "events": [1, 0, 1], "censored": [0, 1, 0]})
    table = risk_table(spells)
    assert table.to_dict(as_series=False) == {
        "day": [2, 4, 6],
        "at_risk": [1, 2, 1],
        "entered": [1, 1, 0],
        "events": [0, 1, 1],
        "censored": [0, 1, 0],
    }


def test_observed_from_the_origin_is_at_risk_on_day_0() -> None:
    """By hand: entry at or before day 0, or no entry column, are the same thing."""
    exits = {"exit_day": [0, 0, 3], "events": [1, 0, 1], "censored": [0, 1, 0]}
    expected = [(0, 3, 0, 1, 1), (3, 1, 0, 1, 0)]
    assert risk_table(pl.DataFrame(exits)).rows() == expected
    assert risk_table(pl.DataFrame({"entry_day": [0, -5, 0], **exits})).rows() == expected


def test_causes_are_kept_apart() -> None:
    spells = pl.DataFrame({"exit_day": [1, 2], "events_next": [2, 0], "events_died": [0, 1], "censored": [0, 4]})
    assert risk_table(spells).rows() == [(1, 7, 0, 2, 0, 0), (2, 5, 0, 0, 1, 4)]


def test_whole_numbers_of_any_type_are_taken() -> None:
    """Sums come out of a database as wide integers, decimals or floats."""
    plain = pl.DataFrame({"exit_day": [1, 2], "events": [2, 1], "censored": [0, 4]})
    wide = plain.with_columns(
        pl.col("exit_day").cast(pl.Int16),
        pl.col("events").cast(pl.Int128),
        pl.col("censored").cast(pl.Float64),
    )
    decimal = plain.with_columns(pl.col("events").cast(pl.Decimal(38, 0)))
    assert risk_table(wide).equals(risk_table(plain))
    assert risk_table(decimal).equals(risk_table(plain))


def test_no_spells_give_an_empty_table() -> None:
    table = risk_table(pl.DataFrame({"exit_day": [], "events": [], "censored": []}, schema_overrides=_INTEGERS))
    assert table.columns == ["day", "at_risk", "entered", "events", "censored"]
    assert table.height == 0


_INTEGERS = {"exit_day": pl.Int64, "events": pl.Int64, "censored": pl.Int64}


@pytest.mark.parametrize(
    ("spells", "day", "problem"),
    [
        ({"exit_day": [9, -1], "events": [1, 1], "censored": [0, 0]}, -1, "negative"),
        ({"exit_day": [9, 8], "events": [-1, -1], "censored": [0, 0]}, 8, "events is negative"),
        ({"exit_day": [9, 8], "events": [1, None], "censored": [0, 0]}, 8, "events is missing"),
        ({"exit_day": [9, 8], "events": [1.0, 0.5], "censored": [0, 0]}, 8, "not a whole number"),
        ({"exit_day": [9, 8], "entry_day": [9, 8], "events": [1, 1], "censored": [0, 0]}, 8, "begun"),
        ({"exit_day": [9, None], "events": [1, 1], "censored": [0, 0]}, None, "exit_day"),
        ({"exit_day": ["9"], "events": [1], "censored": [0]}, None, "expected whole numbers"),
        ({"exit_day": [9], "events": [1]}, None, "missing column censored"),
        ({"exit_day": [9], "censored": [1]}, None, "events_<cause>"),
        ({"exit_day": [9], "events": [1], "events_died": [1], "censored": [0]}, None, "either"),
    ],
)
def test_impossible_spells_are_refused(spells: dict[str, list[object]], day: int | None, problem: str) -> None:
    with pytest.raises(CountsError, match=problem) as raised:
        risk_table(pl.DataFrame(spells))
    assert raised.value.day == day


@pytest.mark.parametrize(
    ("change", "day", "problem"),
    [
        ({"day": [3, 3, 8]}, 3, "more than once"),
        ({"day": [-3, 5, 8]}, -3, "negative"),
        ({"events": [1, 4, 1]}, 5, "more events than people at risk"),
        ({"events": [1, 4, 9]}, 5, "more events than people at risk"),
        ({"events": [1, 1, 1], "censored": [0, 3, 0]}, 5, "more people leave"),
        ({"events": [1, -1, 1]}, 5, "events is negative"),
        ({"at_risk": [4, 3, 2]}, 8, "left over"),
        ({"at_risk": [4, 2, 1]}, 5, "left over"),
        ({"censored": [0, None, 0]}, 5, "censored is missing"),
        ({"entered": [0, -1, 0]}, 5, "entered is negative"),
    ],
)
def test_impossible_tables_name_the_first_day_at_fault(
    change: dict[str, list[int | None]], day: int, problem: str
) -> None:
    good = {"day": [3, 5, 8], "at_risk": [4, 3, 1], "events": [1, 1, 1], "censored": [0, 1, 0]}
    assert checked_counts(pl.DataFrame(good), ["events"]).last_day == 8
    with pytest.raises(CountsError, match=problem) as raised:
        checked_counts(pl.DataFrame(good | change), ["events"])
    assert raised.value.day == day
    assert str(raised.value).startswith(f"day {day}: ")


def test_followed_span_ends_where_nobody_is_at_risk() -> None:
    """By hand: one person 0-5, the next seen only from day 9. Nothing is known of days 6 to 9."""
    spells = pl.DataFrame({"entry_day": [0, 9], "exit_day": [5, 20], "events": [0, 1], "censored": [1, 0]})
    counts = checked_counts(risk_table(spells), ["events"])
    assert (counts.first_day, counts.last_day) == (0, 5)
    touching = spells.with_columns(entry_day=pl.Series([0, 5]))
    assert checked_counts(risk_table(touching), ["events"]).last_day == 20


def test_followed_span_starts_with_the_first_entry() -> None:
    spells = pl.DataFrame({"entry_day": [30, 40], "exit_day": [50, 60], "events": [1, 1], "censored": [0, 0]})
    counts = checked_counts(risk_table(spells), ["events"])
    assert (counts.first_day, counts.last_day) == (31, 60)


def test_smallest_number_at_risk() -> None:
    """By hand: 2 from the origin, one of them leaves on day 3, 5 enter on day 6."""
    spells = pl.DataFrame({"entry_day": [0, 0, 6], "exit_day": [3, 30, 30], "events": [0, 0, 0], "censored": [1, 1, 5]})
    counts = checked_counts(risk_table(spells), ["events"])
    assert [counts.smallest_at_risk(day) for day in (0, 3, 4, 6, 7, 30)] == [2, 2, 1, 1, 1, 1]
    assert [counts.remaining_after(day) for day in (0, 3, 6, 29, 30)] == [2, 1, 6, 6, 0]
