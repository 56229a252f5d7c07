"""Cox regression on many spells: this project, lifelines and R, on the same rows in the same run.

    .venv/bin/python benchmarks/cox.py [spells] [--late]

Spells (200,000 if left out) with 18 covariates, four strata and times that tie. --late: a tenth enters late, which
lifelines takes minutes for at 20,000 spells; it is then left out. R is left out where `Rscript` is not there. Prints
seconds, and how far the coefficients lie apart.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does

import numpy as np
import pandas as pd

from pipelines.regression.cox import fit_cox
from pipelines.regression.spells import Spells

COLUMNS = 18
IN_R = """
suppressPackageStartupMessages(library(survival))
data <- read.csv(commandArgs(TRUE)[1])
covariates <- paste(grep("^x", names(data), value = TRUE), collapse = " + ")
left <- if ("entry" %in% names(data)) "Surv(entry, days, event)" else "Surv(days, event)"
model <- as.formula(paste(left, "~", covariates, "+ strata(stratum) + cluster(patient)"))
took <- system.time(fit <- coxph(model, data = data))[["elapsed"]]
cat(took, coef(fit), sep = "\\n")
"""


def made(count: int, *, late: bool) -> Spells:
    """Days from a Cox model, rounded up so that they tie; two spells a patient."""
    random = np.random.default_rng(1)
    x = random.binomial(1, 0.3, (count, COLUMNS)).astype(float)
    x[:, 0] = random.normal(size=count)
    truth = np.linspace(-0.3, 0.3, COLUMNS)
    days = np.ceil(random.exponential(3000 / np.exp(x @ truth)))
    lost = np.ceil(random.uniform(1, 3650, count))
    exits = np.minimum(days, lost)
    enters_late = (random.random(count) < 0.1) & late & (exits > 1)
    entry = np.where(enters_late, np.ceil((exits - 1) * random.random(count)), -np.inf)
    names = tuple(f"x{number}" for number in range(COLUMNS))
    return Spells(x, names, entry, exits, days <= lost, random.integers(0, 4, count), np.arange(count) // 2)


def as_frame(spells: Spells) -> pd.DataFrame:
    frame = pd.DataFrame(spells.x, columns=list(spells.names))
    frame["days"], frame["event"], frame["stratum"] = spells.exit, spells.event.astype(int), spells.stratum
    return frame.assign(patient=spells.cluster)


def by_lifelines(spells: Spells) -> tuple[float, np.ndarray]:
    from lifelines import CoxPHFitter

    frame, start = as_frame(spells), perf_counter()
    fit = CoxPHFitter().fit(frame, "days", "event", strata=["stratum"], cluster_col="patient")
    return perf_counter() - start, fit.params_.to_numpy()


def by_r(spells: Spells) -> tuple[float, np.ndarray]:
    frame = as_frame(spells)
    if np.isfinite(spells.entry).any():
        frame["entry"] = np.where(np.isfinite(spells.entry), spells.entry, -1)
    with tempfile.TemporaryDirectory() as folder:
        rows, script = Path(folder) / "rows.csv", Path(folder) / "fit.R"
        frame.to_csv(rows, index=False)
        script.write_text(IN_R, encoding="utf-8")
        output = subprocess.run(
            ["Rscript", str(script), str(rows)], check=True, capture_output=True, text=True
        ).stdout.split()
    return float(output[0]), np.array([float(value) for value in output[1:]])


def main() -> None:
    """Time each, the first run of ours included."""
    late = "--late" in sys.argv
    numbers = [int(argument) for argument in sys.argv[1:] if argument.isdigit()]
    spells = made(numbers[0] if numbers else 200_000, late=late)
    start = perf_counter()
    ours = fit_cox(spells)
    print(f"{spells.size:,} spells, {ours.events:,} events, {COLUMNS} columns, robust errors by patient")
    print(f"this project: {perf_counter() - start:.2f} s")
    others = {"R coxph": by_r} if shutil.which("Rscript") else {}
    if not late:
        others["lifelines"] = by_lifelines
    for name, run in others.items():
        took, coefficients = run(spells)
        apart = np.abs(coefficients - ours.coefficients).max()
        print(f"{name}: {took:.2f} s; coefficients at most {apart:.1e} apart")


if __name__ == "__main__":
    main()
