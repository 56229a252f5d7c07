"""What happens if the first visit without numbness is taken for the day on which it ended: a simulation.

    .venv/bin/python benchmarks/first_gone_visit.py

Prints, for two schedules of visits, the true share still numb and what four ways of reading the same visits give on
average over many samples. The table stands in docs/reading_durations.md.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist

import numpy as np
import polars as pl

from pipelines.estimators import presence_at, product_limit, risk_table, survival_at, turnbull

PEOPLE, SAMPLES, SEED = 1_000, 100, 20261205
MEDIAN, LOG_SPREAD = 105.0, 0.8
AT_DAYS = (91, 182, 273, 364)
# due day, spread in days, share who come
SCHEDULES = {
    "day 14, months 3, 6, 12, 24": ((14, 1, 0.95), (91, 10, 0.7), (182, 12, 0.6), (365, 20, 0.6), (730, 30, 0.4)),
    "monthly": tuple((30 * month, 4, 0.8) for month in range(1, 25)),
}
WEEK = 7


def visits(rng: np.random.Generator, schedule: tuple[tuple[int, int, float], ...]) -> pl.DataFrame:
    """One row a person: the last day found numb (0: never), and the first day found free (empty: never)."""
    end = np.ceil(np.exp(rng.normal(math.log(MEDIAN), LOG_SPREAD, PEOPLE)))
    left, right = np.zeros(PEOPLE), np.full(PEOPLE, np.inf)
    for due, spread, share in schedule:
        day = np.where(rng.random(PEOPLE) < share, due + np.rint(rng.normal(0.0, spread, PEOPLE)), np.nan)
        left = np.where(day < end, np.fmax(left, day), left)
        right = np.where(day >= end, np.fmin(right, day), right)
    rows = pl.DataFrame({"left": left, "right": right})
    ended = pl.when(pl.col("right").is_finite()).then(pl.col("right")).cast(pl.Int64).alias("right")
    return rows.select(pl.col("left").cast(pl.Int64), ended)


def as_exact(rows: pl.DataFrame, end: pl.Expr) -> list[float]:
    """Kaplan-Meier, as if everybody had ended on the day `end`; who did not is lost at the last look."""
    ended = pl.col("right").is_not_null()
    spells = rows.select(
        exit_day=pl.when(ended).then(end).otherwise(pl.col("left")).cast(pl.Int64),
        events=ended.cast(pl.Int64),
        censored=(~ended).cast(pl.Int64),
    )
    curve = product_limit(risk_table(spells))
    return [math.nan if read.estimate is None else read.estimate for read in survival_at(curve, AT_DAYS)]


def by_turnbull(rows: pl.DataFrame) -> list[float]:
    """Days rounded to weeks, then the middle of both bounds."""

    def week(name: str) -> pl.Expr:
        return (2 * pl.col(name) + WEEK) // (2 * WEEK) * WEEK

    left = week("left")
    table = rows.select(left_day=left, right_day=pl.max_horizontal(week("right"), left + WEEK), n=pl.lit(1))
    table = table.with_columns(pl.when(rows["right"].is_not_null()).then(pl.col("right_day")).alias("right_day"))
    found = presence_at(turnbull(table), AT_DAYS)
    return [math.nan if r.least is None or r.most is None else (r.least + r.most) / 2 for r in found]


READINGS: dict[str, Callable[[pl.DataFrame], list[float]]] = {
    "first visit without it": lambda rows: as_exact(rows, pl.col("right")),
    "middle between the two visits": lambda rows: as_exact(rows, (pl.col("left") + pl.col("right") + 1) // 2),
    "last visit with it": lambda rows: as_exact(rows, pl.col("left")),
    "between the two (Turnbull)": by_turnbull,
}


def main() -> None:
    law = NormalDist(math.log(MEDIAN), LOG_SPREAD)
    truth = [1.0 - law.cdf(math.log(day)) for day in AT_DAYS]
    print(f"{'share still numb on day':<34}" + "".join(f"{day:>8}" for day in AT_DAYS))
    print(f"{'truth':<34}" + "".join(f"{share:>8.3f}" for share in truth))
    for number, (name, schedule) in enumerate(SCHEDULES.items()):
        rng = np.random.default_rng([SEED, number])
        samples = [visits(rng, schedule) for _ in range(SAMPLES)]
        print(f"visits: {name}")
        for label, read in READINGS.items():
            mean = np.mean([read(sample) for sample in samples], axis=0)
            print(f"  {label:<32}" + "".join(f"{share:>8.3f}" for share in mean))


if __name__ == "__main__":
    main()
