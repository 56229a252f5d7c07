"""How long Turnbull's estimate takes for many interval-censored people, and how much memory it needs.

    .venv/bin/python benchmarks/durations.py [PEOPLE]

Days are whole numbers, unrounded, so that there are many distinct intervals. Prints the time of folding the rows to
distinct intervals and of the estimate, the Kuhn-Tucker gap (how far, at most, the mean log-likelihood lies below its
maximum), and the peak memory of the process. Then the same on 2,000 people beside R's survfit, where R is installed.
Goal for 1,000,000 people: under 10 s and 2 GiB, gap at most 1e-8, log-likelihood no lower than R's.
"""

from __future__ import annotations

import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.estimators import presence_at, turnbull

SUBSAMPLE = 2_000
_R = """
suppressPackageStartupMessages(library(survival))
rows <- read.csv(commandArgs(TRUE)[1])
right <- ifelse(is.na(rows$right_day), Inf, rows$right_day)
seconds <- system.time(fit <- survfit(Surv(rows$left_day, right, type = "interval2") ~ 1))[["elapsed"]]
share <- c(1, fit$surv)
covered <- share[findInterval(rows$left_day, fit$time, left.open = TRUE) + 1] -
  ifelse(is.finite(right), share[findInterval(right, fit$time) + 1], 0)
cat(sprintf('{"seconds": %f, "log_likelihood": %.9f}', seconds, sum(log(covered))))
"""


def people_at_visits(count: int, seed: int) -> pl.DataFrame:
    """Log-normal durations, 4 % none and 2 % for good, seen at up to six visits a person on any day."""
    rng = np.random.default_rng(seed)
    end = np.ceil(np.exp(rng.normal(np.log(105.0), 0.95, count)))
    kind = rng.random(count)
    end = np.where(kind < 0.04, 0.0, np.where(kind < 0.06, np.inf, end))
    left, right = np.zeros(count), np.full(count, np.inf)
    for due, spread, attended in zip(
        (7, 91, 182, 365, 730, 1095), (1, 10, 12, 20, 30, 30), (0.95, 0.7, 0.6, 0.6, 0.4, 0.3), strict=True
    ):
        look = np.maximum(1.0, due + np.rint(rng.normal(0.0, spread, count)))
        look = np.where(rng.random(count) < attended, look, np.nan)
        left = np.where(look < end, np.fmax(left, look), left)
        right = np.where(look >= end, np.fmin(right, look), right)
    rows = pl.DataFrame({"left_day": left, "right_day": right})
    ended = pl.when(pl.col("right_day").is_finite()).then(pl.col("right_day")).cast(pl.Int64).alias("right_day")
    return rows.select(pl.col("left_day").cast(pl.Int64), ended, n=pl.lit(1, dtype=pl.Int64))


def beside_r(rows: pl.DataFrame) -> None:
    """The estimate of a subsample by R, with the log-likelihood of what R gives."""
    curve = turnbull(rows)
    print(f"{rows.height:,} people: log-likelihood {curve.log_likelihood:.6f}, gap {curve.gap:.1e}")
    if not (rscript := shutil.which("Rscript")):
        print("R is not installed: not compared")
        return
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "rows.csv"
        rows.write_csv(file)
        done = subprocess.run([rscript, "-e", _R, str(file)], stdout=subprocess.PIPE, text=True, check=True)
    theirs = json.loads(done.stdout)
    less = curve.log_likelihood - theirs["log_likelihood"]
    print(f"R survfit: log-likelihood {theirs['log_likelihood']:.6f}, {less:.6f} lower, in {theirs['seconds']:.1f} s")


def main(count: int) -> None:
    rows = people_at_visits(count, 1)
    made = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    began = time.perf_counter()
    folded = rows.group_by("left_day", "right_day").agg(pl.col("n").sum())
    folded_at = time.perf_counter()
    curve = turnbull(folded)
    ended = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(f"people                     {count:>12,}")
    print(f"distinct intervals         {folded.height:>12,}")
    print(f"innermost intervals        {curve.mass.size:>12,}")
    print(f"folding                    {folded_at - began:>12.2f} s")
    print(f"estimate                   {ended - folded_at:>12.2f} s, {curve.iterations} steps")
    print(f"Kuhn-Tucker gap            {curve.gap:>12.1e} (goal: at most 1e-8)")
    print(f"whole                      {ended - began:>12.2f} s (goal: under 10 s)")
    print(f"peak memory                {peak / 2**30:>12.2f} GiB (goal: under 2 GiB; {made / 2**30:.2f} before)")
    for read in presence_at(curve, [91, 182, 365, 730]):
        print(f"still there on day {read.at_days:<8}{read.least:>12.4f} to {read.most:.4f}")
    beside_r(people_at_visits(SUBSAMPLE, 2))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
