"""What graft survival says where those who come back to be counted differ: a simulation with a known truth.

    .venv/bin/python benchmarks/who_was_counted.py

Prints the mean over samples of survival as counted and weighted, and how often their 95 % intervals hold the truth. The
table stands in docs/reading_graft_survival.md. Some seconds.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipelines.estimators import clustered_ratio
from pipelines.graft_yield.areas import ratio_sums
from pipelines.graft_yield.selection import weighted

SESSIONS, SAMPLES, SEED, TRUTH = 400, 300, 20_261_128, 0.90
RETURNS = ("anybody, by chance", "more often after one technique", "more often where more grew")


def sessions_due(random: np.random.Generator, how: str) -> pl.DataFrame:
    """Sessions of two techniques with yields of 0.95 and 0.85 on average, which differ from patient to patient."""
    technique = random.integers(0, 2, SESSIONS)
    mean = np.where(technique == 1, 0.95, 0.85)
    true = random.beta(20 * mean, 20 * (1 - mean))
    placed = random.integers(30, 90, SESSIONS)
    chance = {
        RETURNS[0]: np.full(SESSIONS, 0.5),
        RETURNS[1]: np.where(technique == 1, 0.8, 0.2),
        RETURNS[2]: np.where(true > 0.9, 0.8, 0.2),
    }[how]
    counted = random.random(SESSIONS) < chance
    return pl.DataFrame(
        {
            "patient_key": np.arange(SESSIONS),
            "technique": technique.astype(str),
            "counted": counted.astype(np.int64),
            "placed": np.where(counted, placed, 0),
            "growing": np.where(counted, random.binomial(placed, true), 0),
        }
    )


def main() -> None:
    """Print the rows of the table."""
    for how in RETURNS:
        random = np.random.default_rng(SEED)
        told = []
        for _ in range(SAMPLES):
            counted = weighted(sessions_due(random, how), ["technique"]).filter(pl.col("counted") == 1)
            row = []
            for part in (counted, counted.with_columns(pl.col("growing", "placed") * pl.col("weight"))):
                sums = ratio_sums(part)
                assert sums is not None
                ratio = clustered_ratio(sums)
                assert ratio.lower is not None
                assert ratio.upper is not None
                row += [ratio.estimate, ratio.lower <= TRUTH <= ratio.upper]
            told.append(row)
        crude, crude_holds, mended, mended_holds = np.mean(told, axis=0)
        print(f"| {how} | {TRUTH:.3f} | {crude:.3f} | {crude_holds:.3f} | {mended:.3f} | {mended_holds:.3f} |")


if __name__ == "__main__":
    main()
