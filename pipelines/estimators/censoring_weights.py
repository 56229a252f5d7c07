"""Weights that let those who stay in follow-up stand in for those like them who were lost."""

import polars as pl

from pipelines.estimators.counts import checked_counts, refuse, risk_table
from pipelines.estimators.errors import CountsError


def censoring_weighted(spells: pl.DataFrame, every_days: int = 7) -> pl.DataFrame:
    """Cut follow-up into intervals, each weighted by 1 / (probability of still being followed when it begins).

    Model: within a group, and between groups without any assumption, the probability is Kaplan-Meier's for being lost
    (events of a day come before losses). Every interval of every_days has one weight, that of its first day: with
    every_days of 1 the weighted curve is exactly the mean of the groups' own curves, each group counting for its share
    at the start; wider intervals are near it, as loss within one is not weighted.
    A group that is lost as a whole, on day t, has nobody left to stand in for it: all follow-up is cut at the first
    such t, since past it the answer would be that of the other groups.
    Assumes: within a group loss carries no news of the event. Misleads as `weighted_survival`; and many small groups
    give wild weights.
    spells: as `risk_table`, one event column, plus group, all from the origin: any number of rows, each adding up
    people of one group. every_days: at least 1.
    Returns intervals for `weighted_survival`: patient (a running number for people alike), alike, entry_day, exit_day,
    events, weight; at most two rows for each group, exit day and interval, however many people.
    Raises: CountsError, as `risk_table`, for a missing group, or an entry_day above 0 (a late entrant was not followed
    before, so the weights do not hold). ValueError, for every_days below 1.
    Source: Robins & Finkelstein 2000, Biometrics 56:779-788; the identity: Satten & Datta 2001, Am Stat 55:207-210.

    >>> spells = pl.DataFrame({"group": ["a", "a", "a"], "exit_day": [3, 5, 9], "events": [0, 1, 0],
    ...                        "censored": [1, 0, 2]})
    >>> censoring_weighted(spells, 4).select("patient", "exit_day", "alike", "events", "weight").rows()[:3]
    [(1, 3, 1, 0, 1.0), (2, 4, 1, 0, 1.0), (2, 5, 1, 1, 1.3333333333333333)]
    """
    if every_days < 1:
        raise ValueError(f"every_days {every_days}: expected at least 1")
    if "group" not in spells.columns:
        raise CountsError("missing column group")
    if "entry_day" in spells.columns:
        refuse(spells, {"nobody may enter late": pl.col("entry_day") > 0}, day="exit_day")
    spells = spells.select("group", "exit_day", "events", "censored")
    groups = [(group, part.drop("group")) for (group,), part in spells.partition_by("group", as_dict=True).items()]
    stays = [_still_followed(part) for _, part in groups]
    if not any(days.height for days, _ in stays):
        return pl.DataFrame(schema=_INTERVALS)
    last_day = int(spells.get_column("exit_day").to_numpy().max())
    until = min((ends for _, ends in stays if ends is not None), default=last_day)
    starts = pl.DataFrame({"entry_day": range(0, max(until, 1), every_days)}, schema={"entry_day": pl.Int64})
    parts = [
        _cut(part, starts.join_asof(days, left_on="entry_day", right_on="day"), every_days, until)
        for (_, part), (days, _) in zip(groups, stays, strict=True)
    ]
    intervals = pl.concat(
        part.with_columns(patient=pl.format("{}-{}", pl.lit(number), "patient")) for number, part in enumerate(parts)
    )
    return intervals.with_columns(pl.col("patient").rank("dense").cast(pl.Int64)).select(*_INTERVALS)


_INTERVALS = {
    "patient": pl.Int64,
    "alike": pl.Int64,
    "entry_day": pl.Int64,
    "exit_day": pl.Int64,
    "events": pl.Int64,
    "weight": pl.Float64,
}


def _still_followed(spells: pl.DataFrame) -> tuple[pl.DataFrame, int | None]:
    """Day and probability of being followed past it, of one group; the day on which it falls to 0, if it does."""
    counts = checked_counts(risk_table(spells), ["events"])
    free = pl.Series(counts.at_risk - counts.events[0])
    lost = (pl.Series(counts.censored) / free).fill_nan(0.0)
    days = pl.DataFrame({"day": counts.day, "followed": (1.0 - lost).cum_prod()})
    gone = days.filter(pl.col("followed") <= 0.0)
    return days.sort("day"), None if gone.height == 0 else int(gone.item(0, "day"))


def _cut(spells: pl.DataFrame, weights: pl.DataFrame, every_days: int, until: int) -> pl.DataFrame:
    """Rows of people alike, cut where the weight changes and where all is cut."""
    people = pl.concat(
        [
            spells.select("exit_day", events=pl.lit(1, dtype=pl.Int64), alike=pl.col("events").cast(pl.Int64)),
            spells.select("exit_day", events=pl.lit(0, dtype=pl.Int64), alike=pl.col("censored").cast(pl.Int64)),
        ]
    )
    alike = people.group_by("exit_day", "events").agg(pl.col("alike").sum()).filter(pl.col("alike") > 0)
    numbered = alike.sort("exit_day", "events").with_row_index("patient").with_columns(left=pl.col("exit_day"))
    cut = numbered.join(weights, how="cross").filter(
        (pl.col("entry_day") < pl.col("left")) | ((pl.col("left") == 0) & (pl.col("entry_day") == 0))
    )
    ends = pl.min_horizontal("left", pl.col("entry_day") + every_days, pl.lit(until))
    return cut.with_columns(
        exit_day=ends,
        events=pl.when(ends == pl.col("left")).then("events").otherwise(0),
        # who leaves on day 0 was there before anybody was lost
        weight=pl.when(pl.col("left") == 0).then(1.0).otherwise(1.0 / pl.col("followed").fill_null(1.0)),
    ).select("patient", "alike", "entry_day", "exit_day", "events", "weight")
