"""The whole registry at growing sizes: seconds, peak memory, bytes on disk, and how they grow.

    .venv/bin/python benchmarks/suite.py [--sizes 10000,100000,1000000] [--ten-million] [--keep DIR]

Fictional patients of the synthetic model, in lots of 50,000 with seeds of their own, straight to Parquet; then intake
of these files, every analysis, the quarterly audit, an export, counts for pooling, verification. Each part runs in a
process of its own, so that its peak memory is its own. Analyses are timed without opening and imports. Beside them, on
the same records: a bare DuckDB load without any check, and lifelines on the same spells. Results go to
docs/benchmarks.json, sizes measured before are kept, and as a table between two marks into docs/benchmarks.md. Ten
million patients need some 30 GB of disk and hours: only by flag.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from registry import RECORD_TYPES, Registry, open_registry, start_registry
from registry.store import DATABASE_FILE
from synthetic_data import SITES, SURGEONS, simulate

ROOT = Path(__file__).parents[1]
RESULTS, PAGE = ROOT / "docs" / "benchmarks.json", ROOT / "docs" / "benchmarks.md"
BEGIN, END = "<!-- suite: begin -->", "<!-- suite: end -->"
SIZES, LARGEST = (10_000, 100_000, 1_000_000), 10_000_000
LOT, TODAY, QUARTER = 50_000, date(2026, 11, 28), "2026-Q3"
TOO_SHORT = 0.5
"""Seconds below which starting up outweighs the work, so that growth says nothing."""


def next_session(registry: Registry, **options: Any) -> None:
    from pipelines import time_to_next_session

    time_to_next_session(registry, **options)


def causes(registry: Registry) -> None:
    from pipelines import next_session_causes

    next_session_causes(registry, competing="reason")


def further(registry: Registry) -> None:
    from pipelines import further_sessions

    further_sessions(registry)


def audit_complications(registry: Registry) -> None:
    from pipelines import complications

    complications(registry)


def every_kind(registry: Registry) -> None:
    from pipelines import complication_incidence

    complication_incidence(registry)


def grafts(registry: Registry) -> None:
    from pipelines import graft_survival

    graft_survival(registry, by=("technique",))


def numbness_lasts(registry: Registry) -> None:
    from pipelines import durations

    durations(registry, of="numbness-donor")


def counts_for_pooling(registry: Registry) -> None:
    from pipelines.site_counts import counts_text, gather_counts

    counts_text(gather_counts(registry, by=("age_band",)))


def verification(registry: Registry) -> None:
    from registry.verification import verify

    assert verify(registry) == ()


ANALYSES: Mapping[str, Callable[[Registry], None]] = {
    "time to the next session here, by age band": lambda r: next_session(r, by=("age_band",)),
    "time to the next session anywhere": lambda r: next_session(r, estimand="anywhere", by=()),
    "next session by reason, death competing": causes,
    "further sessions per patient": further,
    "complications of the audit": audit_complications,
    "every kind of complication, four windows": every_kind,
    "graft survival by technique": grafts,
    "how long numbness lasts": numbness_lasts,
    "counts for pooling, by age band": counts_for_pooling,
    "verify": verification,
}


def synthesise(folder: Path, patients: int) -> dict[str, float]:
    """Lots of Parquet files. Every lot declares the same quarters: the last holds the declarations of all."""
    declared = []
    for number, first in enumerate(range(0, patients, LOT), start=1):
        lot = folder / "records" / f"lot_{number:04}"
        lot.mkdir(parents=True)
        frames = simulate(min(LOT, patients - first), number).frames
        declared.append(frames["site_period"])
        for name, frame in frames.items():
            if name != "site_period":
                frame.write_parquet(lot / f"{name}.parquet", compression="zstd")
    periods = pl.concat(declared)
    totals = [name for name, kind in periods.schema.items() if name == "sessions_declared" and kind.is_integer()]
    others = [name for name in periods.columns if name not in totals]
    summed = periods.group_by(others, maintain_order=True).agg(pl.col(totals).sum()).select(periods.columns)
    summed.write_parquet(lot / "site_period.parquet")
    return {"parquet_bytes": sum(path.stat().st_size for path in (folder / "records").rglob("*.parquet"))}


def bare_load(folder: Path, patients: int) -> dict[str, float]:
    """The same files as tables, by DuckDB alone, checked for nothing."""
    with duckdb.connect(str(folder / "bare.duckdb")) as connection:
        for record in RECORD_TYPES:
            files = str(folder / "records" / "*" / f"{record.name}.parquet")
            connection.execute(f"create table {record.name} as from read_parquet(?)", [files])
        connection.execute("checkpoint")
    size = (folder / "bare.duckdb").stat().st_size
    (folder / "bare.duckdb").unlink()
    return {"bytes": size}


def intake(folder: Path, patients: int) -> dict[str, float]:
    """All lots taken in, one batch each."""
    from pipelines.intake import run_intake

    start_registry(folder / "registry", SITES, SURGEONS, "Benchmark")
    read = 0
    with open_registry(folder / "registry", read_only=False) as registry:
        for lot in sorted((folder / "records").iterdir()):
            total = run_intake(registry, [lot], today=TODAY, received_by="benchmark").total()
            assert total.loaded == total.read, total
            read += total.read
    return {"rows": read, "bytes": (folder / "registry" / DATABASE_FILE).stat().st_size}


def analysis(name: str) -> Callable[[Path, int], dict[str, float]]:
    def run(folder: Path, patients: int) -> dict[str, float]:
        import scipy.stats  # loaded by the first figure otherwise

        import pipelines.site_counts

        assert scipy.stats
        assert pipelines.site_counts
        with open_registry(folder / "registry") as registry:
            return timed(lambda: ANALYSES[name](registry))

    return run


def timed(work: Callable[[], None]) -> dict[str, float]:
    """Seconds on the clock, and of all processors together."""
    began, spent = time.perf_counter(), time.process_time()
    work()
    return {"seconds": time.perf_counter() - began, "processor_seconds": time.process_time() - spent}


def audit(folder: Path, patients: int) -> dict[str, float]:
    return command("audit", QUARTER, "--registry", folder / "registry", "--out", folder / "audit")


def export(folder: Path, patients: int) -> dict[str, float]:
    command("cohort", "define", "all", "--registry", folder / "registry")
    out = folder / "export"
    options = ("--level", "limited", "--formats", "csv,parquet", "--out", out, "--registry", folder / "registry")
    spent = command("export", "all", *options)
    size = sum(path.stat().st_size for path in out.rglob("*") if path.is_file())
    shutil.rmtree(out)
    return {**spent, "bytes": size}


def lifelines_curve(folder: Path, patients: int) -> dict[str, float]:
    """Kaplan-Meier by lifelines on the same spells as raw rows, which our own fold is spared."""
    from lifelines import KaplanMeierFitter

    from pipelines.groups import EVERYBODY
    from pipelines.next_session.estimands import HERE
    from pipelines.next_session.spells import Request, kept_spells

    with open_registry(folder / "registry") as registry:

        def work() -> None:
            with kept_spells(Request(registry, (), EVERYBODY, None, None), HERE.steps):
                spells = registry.connection.sql(
                    "select entry_day, exit_day, had_event from coded_spell where reason is null"
                ).df()
            late = spells.entry_day.where(spells.entry_day > 0, -1)  # who is seen from the session on enters before it
            KaplanMeierFitter().fit(spells.exit_day, spells.had_event, entry=late)

        return timed(work)


def first_help(folder: Path, patients: int) -> dict[str, float]:
    return command("--help")


def cold_figures(folder: Path, patients: int) -> dict[str, float]:
    return command("figures", "complications", "--registry", folder / "registry")


PARTS: Mapping[str, Callable[[Path, int], dict[str, float]]] = {
    "make records (Parquet)": synthesise,
    "bare DuckDB load, no check": bare_load,
    "intake": intake,
    **{name: analysis(name) for name in ANALYSES},
    "lifelines on the same spells": lifelines_curve,
    "quarterly audit, all its files": audit,
    "export, level limited, CSV and Parquet": export,
    "command: --help": first_help,
    "command: figures complications": cold_figures,
}
NOT_OURS = ("make records (Parquet)", "bare DuckDB load, no check", "lifelines on the same spells")


def command(*arguments: object) -> dict[str, float]:
    """A command as a user types it, in a process of its own."""
    line = [sys.executable, "-c", "from reports.command_line import main; main()", *map(str, arguments)]
    began, before = time.perf_counter(), _children_spent()
    done = subprocess.run(line, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    if done.returncode:
        raise SystemExit(f"{' '.join(map(str, arguments))}: {done.stderr}")
    return {"seconds": time.perf_counter() - began, "processor_seconds": _children_spent() - before}


def _children_spent() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def apart(part: str, folder: Path, patients: int) -> dict[str, float]:
    """One part in a process of its own, with its time, processor time and peak memory."""
    line = [sys.executable, __file__, "--part", part, "--folder", str(folder), "--sizes", str(patients)]
    done = subprocess.run(line, stdout=subprocess.PIPE, text=True, check=True, cwd=ROOT)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def here(part: str, folder: Path, patients: int) -> dict[str, float]:
    """The same, in this process."""
    began = time.perf_counter()
    found = PARTS[part](folder, patients)
    seconds = time.perf_counter() - began
    own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return {
        "seconds": seconds,
        "processor_seconds": own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime,
        "peak_bytes": max(own.ru_maxrss, children.ru_maxrss) * 1024,
        **found,
    }


def measure(folder: Path, patients: int) -> dict[str, dict[str, float]]:
    found = {}
    for part in PARTS:
        found[part] = apart(part, folder, patients)
        seconds, peak = found[part]["seconds"], found[part]["peak_bytes"] / 2**30
        print(f"{patients:>10,} {part:<45}{seconds:>9.2f} s {peak:>7.2f} GiB", flush=True)
    return found


def exponent(found: Mapping[str, Any], part: str, smaller: str, larger: str) -> float | None:
    """The power of the size with which its processor time grows; None where the smaller is too short to tell."""
    less, more = (found[size]["parts"].get(part, {}).get("processor_seconds", 0.0) for size in (smaller, larger))
    if less < TOO_SHORT or not more:
        return None
    return math.log(more / less) / math.log(int(larger) / int(smaller))


def _cell(one: Mapping[str, float]) -> str:
    return f"{one['seconds']:.2f} s ({one['processor_seconds']:.2f}); {one['peak_bytes'] / 2**30:.2f} GiB"


def table(found: Mapping[str, Any]) -> str:
    """The results as Markdown: a row a part, and of each size seconds, processor seconds and peak memory."""
    sizes = sorted(found, key=int)
    last = found[sizes[-1]]
    head = ["part", *(f"{int(size):,} patients" for size in sizes)]
    if len(sizes) > 1:
        head.append(f"grows from {int(sizes[-2]):,} to {int(sizes[-1]):,} as n to the power")
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for part in PARTS:
        cells = []
        for size in sizes:
            one = found[size]["parts"].get(part)
            cells.append(_cell(one) if one else "")
        if len(sizes) > 1:
            power = exponent(found, part, sizes[-2], sizes[-1])
            cells.append("too short to tell" if power is None else f"{power:.2f}")
        lines.append(f"| {part}{' (for comparison)' if part in NOT_OURS else ''} | " + " | ".join(cells) + " |")
    sums = []
    for size in sizes:
        parts = found[size]["parts"]
        taken, made, bare = parts["intake"], parts["make records (Parquet)"], parts["bare DuckDB load, no check"]
        sums.append(
            f"- {int(size):,} patients: {taken['rows']:,} rows, {taken['rows'] / taken['seconds']:,.0f} a second at "
            f"intake, {taken['seconds'] / bare['seconds']:.0f} times the bare load; registry "
            f"{taken['bytes'] / 2**20:,.1f} MiB, the same records as compressed Parquet "
            f"{made['parquet_bytes'] / 2**20:,.1f} MiB (ratio {taken['bytes'] / made['parquet_bytes']:.2f}), as bare "
            f"DuckDB tables {bare['bytes'] / 2**20:,.1f} MiB. Measured {found[size]['date']}, {found[size]['load']}."
        )
    about = (
        f"Machine: {last['machine']}. Python {last['python']}, "
        + ", ".join(f"{name} {number}" for name, number in last["versions"].items())
        + ". Seconds on the clock (of all processors together, which is what counts where the machine does other "
        "work), and the peak memory of a process that does nothing else; analyses without imports and opening, "
        "commands with all of it. Growth is that of processor seconds. Goals: no analysis faster than n to the 1.1; "
        "intake 100,000 rows a second; registry at most 1.5 times the Parquet."
    )
    return "\n".join([about, "", *lines, "", *sums])


def write(found: Mapping[str, Any]) -> None:
    RESULTS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    text = PAGE.read_text(encoding="utf-8")
    if BEGIN not in text:
        text = text.rstrip() + f"\n\n## All of it at growing sizes (`make bench`)\n\n{BEGIN}\n{END}\n"
    before, after = text.split(BEGIN)[0], text.split(END)[1]
    PAGE.write_text(f"{before}{BEGIN}\n{table(found)}\n{END}{after}", encoding="utf-8")


def machine() -> str:
    names = [
        line.split(":")[1].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in line
    ]
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return f"{os.cpu_count()} cores ({names[0] if names else platform.machine()}), {memory:.0f} GiB"


@contextmanager
def place(keep: Path | None) -> Iterator[Path]:
    if keep:
        keep.mkdir(parents=True, exist_ok=True)
        yield keep
        return
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def main() -> None:
    parser = argparse.ArgumentParser(description="The whole registry at growing sizes.")
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)))
    parser.add_argument("--ten-million", action="store_true")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--part", choices=PARTS, help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    sizes = [int(size) for size in asked.sizes.split(",")] + ([LARGEST] if asked.ten_million else [])
    if asked.part:
        print(json.dumps(here(asked.part, asked.folder, sizes[0])))
        return
    found = json.loads(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}
    for patients in sizes:
        with place(asked.keep and asked.keep / str(patients)) as folder:
            load = f"with a load of {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores in the minute before"
            found[str(patients)] = {
                "date": datetime.now(UTC).date().isoformat(),
                "machine": machine(),
                "python": platform.python_version(),
                "versions": {name: version(name) for name in ("duckdb", "polars", "great-expectations", "lifelines")},
                "load": load,
                "parts": measure(folder, patients),
            }
        write(found)
    print(table(found))


if __name__ == "__main__":
    main()
