"""Are the figures right, and do their limits hold what they promise? Many registries with a known truth.

    .venv/bin/python benchmarks/trust.py [--small 2000] [--large 50] [--minutes 60] [--processes 2] [--readings FILE]
        [--out PAGE]

Each registry is of fictional patients whose truth the model states without looking at a record; its records go straight
into the tables. Small ones tell how often limits hold the truth, large ones a bias that few patients would hide. Every
fiftieth small one also goes the whole way: files of four sites with a mistake planted in two rows of a hundred, intake,
rows held back, figures, held against the figures of the same patients without mistakes. When the time is over the page
says how many there are. With --readings what was read is kept in a file, and a later run goes on from there, so nights
add up: delete it once the program has changed. Seeds are fixed, so the first so many are always the same.

Bias: mean estimate less the model's truth. Coverage: how often the 95 % interval holds it. Both with their Monte-Carlo
error; that of the truth itself (a population of its own) is in that of the bias.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb

from pipelines import complications, durations, graft_survival, next_session_causes, time_to_next_session
from registry import Registry, open_registry, start_registry
from registry._ddl import record_tables_ddl
from registry.definition import RECORD_TYPES
from registry.durations import time_label
from registry.milestones import MONTH_6, MONTH_12
from registry.settings import parse_settings
from synthetic_data import SITES, SURGEONS, model_truth, simulate, synthesise
from synthetic_data.truth import Quantity

SMALL, LARGE = 1_000, 40_000
"""Patients of a small and of a large registry: two thousand of the one have as many as fifty of the other."""
FIRST_SEED = {SMALL: 50_001, LARGE: 90_001}
TRUTH_SEEDS, TRUTH_PATIENTS = (4_242, 4_243, 4_244, 4_245), 500_000
PLANTED, CHAIN_EVERY = 0.02, 50
LEVEL = 0.95
NUMB_AT = (MONTH_6.due, MONTH_12.due)
TODAY = date(2026, 11, 28)

APPROXIMATE = {
    "next_session_anywhere": "a surgery elsewhere known from an answer is put in the middle of an interval",
    "numbness": "the contact nearest to month 6 or 12 stands for it, and the share falls ever slower",
    "numbness_donor": "as numbness",
    "numbness_recipient": "as numbness",
    "numbness_still": "recent sessions are followed for less, and fewer of them are strips, which numb for longer",
    "graft_survival": "with seventy patients counted, as of strips in a small registry, limits are a little narrow",
}
"""Measures that are known to be a little off, and why."""

SAME_TRUTH = {"numbness_still": "numbness"}
"""Figures by another estimator of what has a truth under its first name."""

Key = tuple[str, int | None, str]
Reading = tuple[float, float, float]
"""Estimate, lower and upper limit."""


@dataclass(frozen=True)
class Line:
    """One figure over all registries. low, high: registries whose whole interval lies below, above the truth."""

    key: Key
    truth: float
    registries: int
    bias: float
    bias_error: float
    coverage: float
    coverage_error: float
    low: int
    high: int


def headline_figures(registry: Any) -> Iterator[tuple[Key, Any]]:
    """Every headline figure that has a truth, by the truth's name, time and group."""
    asked = [
        ("next_session_here", time_to_next_session(registry, by=())),
        ("next_session_anywhere", time_to_next_session(registry, estimand="anywhere", by=())),
        (
            "next_session_here_death_competing",
            [f for f in next_session_causes(registry) if f.measure == "next_session_incidence"],
        ),
        ("", complications(registry)),
        ("", [f for f in durations(registry, of="numbness", at_days=NUMB_AT) if f.measure == "numbness_still"]),
        ("", [f for f in graft_survival(registry) if f.measure == "graft_survival"]),
        ("", [f for f in graft_survival(registry, by=("technique",)) if f.measure == "graft_survival"]),
    ]
    for name, figures in asked:
        for figure in figures:
            yield (name or figure.measure, figure.at, ", ".join(figure.group.values())), figure


@contextmanager
def direct(patients: int, seed: int) -> Iterator[Registry]:
    """A registry in memory, whose records went straight into its tables."""
    frames = simulate(patients, seed).frames
    settings = parse_settings({"practice": "Trust", "sites": list(SITES), "surgeons": list(SURGEONS)}, "settings.toml")
    with duckdb.connect() as connection:
        connection.execute((files("registry") / "_bookkeeping.sql").read_text(encoding="utf-8"))
        for statement in record_tables_ddl():
            connection.execute(statement)
        for record in RECORD_TYPES:
            connection.register("incoming", frames[record.name])
            connection.execute(f"insert into {record.name} by name select *, 1 as intake_id from incoming")
            connection.unregister("incoming")
        yield Registry(Path(), settings, connection)


@contextmanager
def whole_chain(patients: int, seed: int) -> Iterator[Registry]:
    """A registry of files with planted mistakes, taken in site by site."""
    from pipelines.intake import run_intake

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        synthesise(folder / "sites", patients=patients, seed=seed, errors=PLANTED)
        start_registry(folder / "registry", SITES, SURGEONS, "Trust")
        with open_registry(folder / "registry", read_only=False) as registry:
            run_intake(registry, [folder / "sites" / site for site in SITES], today=TODAY, received_by="trust")
            yield registry


@dataclass(frozen=True)
class Told:
    """What the registry of so many patients and a seed says.

    chain: the same patients after the whole way; None where they did not go it.
    """

    patients: int
    seed: int
    direct: dict[Key, Reading]
    chain: dict[Key, Reading] | None

    def as_line(self) -> str:
        parts = {"patients": self.patients, "seed": self.seed, "direct": list(self.direct.items())}
        return json.dumps({**parts, "chain": self.chain and list(self.chain.items())})


def from_line(line: str) -> Told:
    """What `as_line` wrote."""
    content = json.loads(line)
    direct, chain = (
        part and {tuple(key): tuple(reading) for key, reading in part} for part in (content["direct"], content["chain"])
    )
    return Told(content["patients"], content["seed"], direct, chain)


def readings(registry: Registry) -> dict[Key, Reading]:
    """Figures that are shown with limits and not greyed out."""
    return {
        key: (figure.estimate, figure.lower, figure.upper)
        for key, figure in headline_figures(registry)
        if figure.lower is not None and not figure.flags
    }


def told_by(task: tuple[int, int]) -> Told:
    """The registry of one seed; of every fiftieth small one also the whole way."""
    patients, seed = task
    with direct(patients, seed) as registry:
        straight = readings(registry)
    if patients == LARGE or seed % CHAIN_EVERY:
        return Told(patients, seed, straight, None)
    with whole_chain(patients, seed) as registry:
        return Told(patients, seed, straight, readings(registry))


def truths() -> dict[Key, tuple[float, float]]:
    """What the model expects, with its Monte-Carlo error: the mean over populations of their own."""
    found: dict[Key, list[Quantity]] = {}
    for seed in TRUTH_SEEDS:
        for quantity in model_truth(patients=TRUTH_PATIENTS, seed=seed).quantities:
            if set(quantity.group) <= {"technique"}:
                key = (quantity.measure, quantity.at, ", ".join(quantity.group.values()))
                found.setdefault(key, []).append(quantity)
    for name, truth in SAME_TRUTH.items():
        found |= {(name, at, group): several for (measure, at, group), several in found.items() if measure == truth}
    return {
        key: (
            math.fsum(one.estimate for one in several) / len(several),
            math.hypot(*(one.standard_error or 0.0 for one in several)) / len(several),
        )
        for key, several in found.items()
    }


def lines_of(found: Sequence[dict[Key, Reading]], truth: dict[Key, tuple[float, float]]) -> list[Line]:
    """Bias and coverage of each figure."""
    lines = []
    for key in dict.fromkeys(key for one in found for key in one):
        expected, truth_error = truth[key]
        shown = [one[key] for one in found if key in one]
        n = len(shown)
        if n < 2:
            continue
        mean = math.fsum(estimate for estimate, _, _ in shown) / n
        spread = math.fsum((estimate - mean) ** 2 for estimate, _, _ in shown) / (n - 1)
        low = sum(upper < expected for _, _, upper in shown)
        high = sum(lower > expected for _, lower, _ in shown)
        coverage = 1.0 - (low + high) / n
        error = math.sqrt(LEVEL * (1.0 - LEVEL) / n)  # of a coverage that is as promised
        lines.append(
            Line(
                key,
                expected,
                n,
                mean - expected,
                math.hypot(math.sqrt(spread / n), truth_error),
                coverage,
                error,
                low,
                high,
            )
        )
    return lines


def shifts(found: Sequence[Told]) -> list[tuple[Key, float, float, float, int]]:
    """What mistakes and intake do to each figure: mean difference, its error, the largest, and of how many."""
    lines = []
    pairs = [one for one in found if one.chain is not None]
    for key in dict.fromkeys(key for one in pairs for key in one.direct):
        moved = [
            one.chain[key][0] - one.direct[key][0] for one in pairs if key in one.direct and key in (one.chain or {})
        ]
        n = len(moved)
        if n < 2:
            continue
        mean = math.fsum(moved) / n
        spread = math.fsum((move - mean) ** 2 for move in moved) / (n - 1)
        lines.append((key, mean, math.sqrt(spread / n), max(map(abs, moved)), n))
    return lines


def _name(key: Key) -> str:
    measure, at, group = key
    return (measure + (f", {time_label(at)}" if at else "") + (f", {group}" if group else "")).replace("_", " ")


def _row(line: Line) -> str:
    off = abs(line.bias) > 3.0 * line.bias_error
    missed = abs(line.coverage - LEVEL) > 3.0 * line.coverage_error
    marks = (["bias"] if off else []) + (["coverage"] if missed else [])
    return (
        f"| {_name(line.key)} | {100 * line.truth:.2f} | {100 * line.bias:+.3f} ± {100 * line.bias_error:.3f} | "
        f"{100 * line.coverage:.1f} ± {100 * line.coverage_error:.1f} | {line.low} / {line.high} | "
        f"{line.registries:,} | {', '.join(marks)} |"
    )


def _large_row(line: Line) -> str:
    relative = 100 * line.bias / line.truth
    off = "bias" if abs(line.bias) > 3.0 * line.bias_error else ""
    return (
        f"| {_name(line.key)} | {100 * line.truth:.2f} | {100 * line.bias:+.3f} ± {100 * line.bias_error:.3f} | "
        f"{relative:+.1f} | {line.registries} | {off} |"
    )


def page(found: Sequence[Told], truth: dict[Key, tuple[float, float]]) -> str:
    """The page, with the numbers of these registries."""
    small = [one for one in found if one.patients == SMALL]
    lines, moved = lines_of([one.direct for one in small], truth), shifts(small)
    large = lines_of([one.direct for one in found if one.patients == LARGE], truth)
    off = [line for line in lines if abs(line.bias) > 3.0 * line.bias_error]
    missed = [line for line in lines if abs(line.coverage - LEVEL) > 3.0 * line.coverage_error]
    read = sum(line.registries for line in lines) or 1
    below, above = sum(line.low for line in lines) / read, sum(line.high for line in lines) / read
    chained = sum(one.chain is not None for one in small)
    table = "\n".join(map(_row, lines))
    large_table = "\n".join(map(_large_row, large))
    large_off = sum(abs(line.bias) > 3.0 * line.bias_error for line in large)
    worst = max((abs(100 * line.bias / line.truth) for line in large), default=0.0)
    shifted = "\n".join(
        f"| {_name(key)} | {100 * mean:+.3f} ± {100 * error:.3f} | {100 * largest:.3f} | {n} | "
        f"{'shift' if abs(mean) > 3.0 * error else ''} |"
        for key, mean, error, largest, n in moved
    )
    reasons = "\n".join(f"- {name.replace('_', ' ')}: {why}." for name, why in APPROXIMATE.items())
    known = 100 * math.sqrt(LEVEL * (1 - LEVEL) / max(len(small), 1))
    return f"""\
# Can the figures be trusted?

Made by `make trust` (`benchmarks/trust.py`); do not edit.

**{len(small):,} registries** of {SMALL:,} fictional patients (seeds from {FIRST_SEED[SMALL]:,} on), their records
straight in the tables; {chained:,} of them also went **the whole way**: files of four sites with a mistake planted in
{PLANTED:.0%} of the rows, intake, what fails held back, figures.
**{len(found) - len(small):,} registries** of {LARGE:,} patients (seeds from {FIRST_SEED[LARGE]:,} on).
Truth: what the model expects, from
{len(TRUTH_SEEDS) * TRUTH_PATIENTS:,} other patients, computed without looking at a record.

**Bias** is the mean estimate less the truth, in percentage points, **coverage** how often the 95 % interval holds the
truth; after ± their Monte-Carlo error (one standard error). "Interval below" counts registries whose whole interval
lies below the truth. The last column marks what is off by more than three of these errors. Only figures are taken that
are shown and not greyed out. So many registries tell a coverage to {known:.1f} points (one standard error); figures of
one registry go together, so do not count marks as if they were independent.

## Small registries: bias and coverage

Of {len(lines)} figures {len(off)} are biased by more than three errors, {len(missed)} miss their coverage by more. Of
all intervals {100 * below:.1f} % lie wholly below the truth, {100 * above:.1f} % above; 2.5 % each were promised.

| figure | truth, % | bias, points | coverage, % | interval below / above | registries | beyond 3 errors |
|---|---|---|---|---|---|---|
{table}

## Large registries: bias

What stays where there are enough patients is the estimator's own. Of {len(large)} figures {large_off} are biased by
more than three errors; the largest bias is {worst:.1f} % of the figure itself.

| figure | truth, % | bias, points | bias, % of the figure | registries | beyond 3 errors |
|---|---|---|---|---|---|
{large_table}

## What mistakes and intake do

The same patients with planted mistakes after the whole way, less without: mean difference in percentage points with its
Monte-Carlo error, and the largest difference of a single registry. A next session that is held back, or waits for a
patient who is held back, is not seen: the wait seems to go on, and the share comes out low, the more so the longer the
time. So close the rows held back before a figure is read; `status` counts them. Complications and graft counts lose
rows as well, but numerator and denominator together.

| figure | mean difference | largest | registries | beyond 3 errors |
|---|---|---|---|---|
{shifted}

## What is known to be off

{reasons}

The truth is that of a model: it says that the arithmetic and the limits are right where patients behave as the model
has them, with loss to follow-up, late entry, ties and missing answers. It cannot say that real patients do.
"""


def main() -> None:
    parser = argparse.ArgumentParser(description="Bias and coverage of headline figures.")
    parser.add_argument("--small", type=int, default=2_000, help="registries of a thousand patients")
    parser.add_argument("--large", type=int, default=50, help="registries of forty thousand")
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--readings", type=Path)
    parser.add_argument("--out", type=Path, default=Path("docs/trust.md"))
    asked = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one registry a processor
    began = time.monotonic()
    found: list[Told] = []
    if asked.readings and asked.readings.exists():
        found = [from_line(line) for line in asked.readings.read_text(encoding="utf-8").splitlines()]
    before = {(one.patients, one.seed) for one in found}

    def tasks() -> Iterator[tuple[int, int]]:
        for patients, count in ((LARGE, asked.large), (SMALL, asked.small)):
            for seed in range(FIRST_SEED[patients], FIRST_SEED[patients] + count):
                if time.monotonic() - began < 60.0 * asked.minutes and (patients, seed) not in before:
                    yield patients, seed

    with multiprocessing.get_context("spawn").Pool(asked.processes, maxtasksperchild=100) as pool:
        source = tasks()
        waiting = [
            pool.apply_async(told_by, (task,)) for _, task in zip(range(2 * asked.processes), source, strict=False)
        ]
        while waiting:
            told = waiting.pop(0).get()
            found.append(told)
            if asked.readings:
                with asked.readings.open("a", encoding="utf-8") as kept:
                    kept.write(told.as_line() + "\n")
            task = next(source, None)
            if task is not None:
                waiting.append(pool.apply_async(told_by, (task,)))
    asked.out.write_text(page(found, truths()), encoding="utf-8")
    print(f"{len(found):,} registries, {len(found) - len(before):,} of them now: {asked.out}")


if __name__ == "__main__":
    main()
