"""The whole registry at growing sizes: seconds, peak memory, bytes on disk, and how they grow.

    .venv/bin/python benchmarks/suite.py [--sizes 10000,100000,1000000] [--ten-million] [--keep DIR]
    .venv/bin/python benchmarks/suite.py --sizes 1000000 --keep DIR --part-only intake --part-only verify

Fictional patients of the synthetic model, in lots of 50,000 with seeds of their own, straight to Parquet; then intake
of these files, ten lots a delivery, every analysis, the quarterly audit, an export, counts for pooling, verification.
Each part runs in a process of its own, so that its peak memory is its own. Analyses are timed without opening and
imports. Beside them, on the same records, what a user would do instead (`comparisons.py`): a comparison that needs more
memory than there is, or half an hour, is noted as such. Results go to docs/benchmarks.json and, as tables between two
marks, into docs/benchmarks.md after each part; what was measured before and is not measured now stays. With --keep the
records and registries stay in DIR, where --part-only measures single parts again. Ten million patients need some 30 GB
of disk and more than an hour: only by flag. Their records are put into the registry as they are, unless --part-only
asks for the intake of a hundred million rows.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from comparisons import COMPARISONS, r_versions, timed
from suite_results import BARE, FILLED, INTAKE, RECORDS, ROOT, another_setting, load, merged, tables, write

from registry import RECORD_TYPES, GraftledgerError, Registry, open_registry, start_registry
from registry._ddl import field_names_sql, quoted
from registry.definition import record_type
from registry.snapshot import computed_sums, store_sums
from registry.store import DATABASE_FILE
from synthetic_data import SITES, SURGEONS, simulate

SIZES, LARGEST = (10_000, 100_000, 1_000_000), 10_000_000
LOT, DELIVERY, TODAY, QUARTER = 50_000, 10, date(2026, 11, 28), "2026-Q3"
"""Patients of a lot, lots of a delivery, the day of intake, the quarter of the audit."""
MOST_SECONDS, MOST_MEMORY = 30 * 60, 0.9
"""What a comparison may take: time, and a share of the machine's memory."""


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
    shutil.rmtree(folder / "records", ignore_errors=True)
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
    total, most = "sessions_declared", record_type("site_period").field("sessions_declared").high
    others = [name for name in periods.columns if name != total]
    # no real site has so many sessions a quarter as a few sites with ten million patients
    added = pl.col(total).sum().clip(upper_bound=most)
    periods.group_by(others, maintain_order=True).agg(added).select(periods.columns).write_parquet(
        lot / "site_period.parquet"
    )
    return {"parquet_bytes": sum(path.stat().st_size for path in (folder / "records").rglob("*.parquet"))}


def bare_load(folder: Path, patients: int) -> dict[str, float]:
    """The same files as tables, by DuckDB alone, checked for nothing."""
    (folder / "bare.duckdb").unlink(missing_ok=True)
    with duckdb.connect(str(folder / "bare.duckdb")) as connection:
        for record in RECORD_TYPES:
            files = str(folder / "records" / "*" / f"{record.name}.parquet")
            connection.execute(f"create table {record.name} as from read_parquet(?)", [files])
        connection.execute("checkpoint")
    size = (folder / "bare.duckdb").stat().st_size
    (folder / "bare.duckdb").unlink()
    return {"bytes": size}


def intake(folder: Path, patients: int) -> dict[str, float]:
    """All lots taken in, ten in a batch: records of some 500,000 patients."""
    from pipelines.intake import run_intake

    shutil.rmtree(folder / "registry", ignore_errors=True)
    start_registry(folder / "registry", SITES, SURGEONS, "Benchmark")
    read = 0
    with open_registry(folder / "registry", read_only=False) as registry:
        lots = sorted((folder / "records").iterdir())
        for first in range(0, len(lots), DELIVERY):
            total = run_intake(registry, lots[first : first + DELIVERY], today=TODAY, received_by="benchmark").total()
            assert total.loaded == total.read, total
            read += total.read
    return {"rows": read, "bytes": (folder / "registry" / DATABASE_FILE).stat().st_size}


def filled(folder: Path, patients: int) -> dict[str, float]:
    """All records put into a registry as they are, past the intake and its checks: for analyses of a large one."""
    shutil.rmtree(folder / "registry", ignore_errors=True)
    start_registry(folder / "registry", SITES, SURGEONS, "Benchmark")
    with open_registry(folder / "registry", read_only=False) as registry:
        for record in RECORD_TYPES:
            files, names = str(folder / "records" / "*" / f"{record.name}.parquet"), field_names_sql(record)
            registry.connection.execute(
                f"insert into {quoted(record.name)} ({names}, intake_id) select {names}, 1 from read_parquet(?)",
                [files],
            )
        store_sums(registry.connection, computed_sums(registry.connection))
    return {"bytes": (folder / "registry" / DATABASE_FILE).stat().st_size}


def analysis(name: str) -> Callable[[Path, int], dict[str, float]]:
    def run(folder: Path, patients: int) -> dict[str, float]:
        import scipy.stats  # loaded by the first figure otherwise

        import pipelines.site_counts

        assert scipy.stats
        assert pipelines.site_counts
        with open_registry(folder / "registry") as registry:
            return timed(lambda: ANALYSES[name](registry))[0]

    return run


def audit(folder: Path, patients: int) -> dict[str, float]:
    shutil.rmtree(folder / "audit", ignore_errors=True)
    return command("audit", QUARTER, "--registry", folder / "registry", "--out", folder / "audit")


def export(folder: Path, patients: int) -> dict[str, float]:
    command("cohort", "define", "all", "--registry", folder / "registry")
    out = folder / "export"
    shutil.rmtree(out, ignore_errors=True)
    options = ("--level", "limited", "--formats", "csv,parquet", "--out", out, "--registry", folder / "registry")
    spent = command("export", "all", *options)
    size = sum(path.stat().st_size for path in out.rglob("*") if path.is_file())
    shutil.rmtree(out)
    return {**spent, "bytes": size}


def first_help(folder: Path, patients: int) -> dict[str, float]:
    return command("--help")


def cold_figures(folder: Path, patients: int) -> dict[str, float]:
    return command("figures", "complications", "--registry", folder / "registry")


def compared(name: str) -> Callable[[Path, int], dict[str, float]]:
    return lambda folder, patients: COMPARISONS[name](folder)


PARTS: Mapping[str, Callable[[Path, int], dict[str, float]]] = {
    RECORDS: synthesise,
    BARE: bare_load,
    INTAKE: intake,
    FILLED: filled,
    **{name: analysis(name) for name in ANALYSES},
    **{name: compared(name) for name in COMPARISONS},
    "quarterly audit, all its files": audit,
    "export, level limited, CSV and Parquet": export,
    "command: --help": first_help,
    "command: figures complications": cold_figures,
}


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


def apart(part: str, folder: Path, patients: int) -> dict[str, Any]:
    """One part in a process of its own: its time, processor time and peak memory; the day; what else ran meanwhile.

    A comparison that does not finish has a word on why under `failed`; any other part must finish.
    """
    line = [sys.executable, __file__, "--part", part, "--folder", str(folder), "--sizes", str(patients)]
    began, own, all_of_it = time.perf_counter(), _children_spent(), _machine_spent()
    with subprocess.Popen(line, stdout=subprocess.PIPE, text=True, cwd=ROOT, start_new_session=True) as process:
        try:
            answer, _ = process.communicate(timeout=MOST_SECONDS if part in COMPARISONS else None)
        except BaseException as error:
            os.killpg(process.pid, signal.SIGKILL)  # with what it started, such as R
            if not isinstance(error, subprocess.TimeoutExpired):
                raise
            answer = json.dumps({"failed": f"more than {MOST_SECONDS // 60} minutes"})
    if process.returncode and part not in COMPARISONS:
        raise SystemExit(f"'{part}' failed.")
    if answer:
        found: dict[str, Any] = json.loads(answer.splitlines()[-1])
    else:  # the system ends a process in this way where memory runs out
        killed = process.returncode == -signal.SIGKILL
        found = {"failed": "out of memory" if killed else f"ended with status {process.returncode}"}
    others = _machine_spent() - all_of_it - (_children_spent() - own)
    others = max(0.0, others / (time.perf_counter() - began))
    return {"date": datetime.now(UTC).date().isoformat(), "others": round(others, 2), **found}


def _machine_spent() -> float:
    """Processor seconds of everything since the machine was started, waiting left out."""
    user, nice, system, _, _, irq, softirq, steal = map(int, Path("/proc/stat").read_text().split()[1:9])
    return (user + nice + system + irq + softirq + steal) / os.sysconf("SC_CLK_TCK")


def here(part: str, folder: Path, patients: int) -> dict[str, Any]:
    """The same, in this process."""
    if part in COMPARISONS:  # refused memory is an error that can be told of; else the system ends some process
        most = int(MOST_MEMORY * os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"))
        resource.setrlimit(resource.RLIMIT_DATA, (most, most))
    began = time.perf_counter()
    try:
        found = PARTS[part](folder, patients)
    except (MemoryError, duckdb.OutOfMemoryException, GraftledgerError) as error:
        if part not in COMPARISONS or (isinstance(error, GraftledgerError) and "memory" not in str(error)):
            raise
        return {"failed": "out of memory"}
    seconds = time.perf_counter() - began
    own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return {
        "seconds": seconds,
        "processor_seconds": own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime,
        "peak_bytes": max(own.ru_maxrss, children.ru_maxrss) * 1024,
        **found,
    }


def parts_of(patients: int) -> list[str]:
    """What is measured of a size unless asked otherwise."""
    return [part for part in PARTS if part != (INTAKE if patients >= LARGEST else FILLED)]


def measure(folder: Path, patients: int, chosen: Sequence[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    for part in PARTS:
        if part not in chosen:
            continue
        if part.startswith("R ") and not r_versions():
            print(f"{patients:>10,} {part:<50} left out: R with its package survival is not installed", flush=True)
            continue
        found = apart(part, folder, patients)
        told = f"did not finish: {found['failed']}" if "failed" in found else _told(found)
        print(f"{patients:>10,} {part:<50}{told}; others used {found['others']:.1f} cores", flush=True)
        yield part, found


def _told(found: Mapping[str, float]) -> str:
    return f"{found['seconds']:>9.2f} s {found['peak_bytes'] / 2**30:>7.2f} GiB"


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


def setting() -> dict[str, Any]:
    """What a measurement rests on besides the code."""
    names = ("duckdb", "polars", "great-expectations", "lifelines", "pandas")
    return {
        "machine": machine(),
        "python": platform.python_version(),
        "versions": {name: version(name) for name in names} | r_versions(),
    }


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="The whole registry at growing sizes.")
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)))
    parser.add_argument("--ten-million", action="store_true")
    parser.add_argument("--keep", type=Path, help="keep records and registry of each size in DIR/SIZE", metavar="DIR")
    parser.add_argument(
        "--part-only",
        action="append",
        choices=PARTS,
        metavar="NAME",
        help="measure this part alone, as it is called in docs/benchmarks.md, in a kept folder; may stand repeatedly",
    )
    parser.add_argument("--part", choices=PARTS, help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    asked.sizes = [int(size) for size in asked.sizes.split(",")] + ([LARGEST] if asked.ten_million else [])
    if asked.part_only and not asked.keep:
        parser.error("--part-only needs --keep DIR, with what was kept there before")
    return asked


def main() -> None:
    asked = arguments()
    if asked.part:
        print(json.dumps(here(asked.part, asked.folder, asked.sizes[0])))
        return
    found, now = load(), setting()
    for size in map(str, asked.sizes) if asked.part_only else ():
        if not (asked.keep / size / "records").is_dir():
            raise SystemExit(f"{asked.keep / size} holds no records: measure all parts with --keep first.")
        if differ := another_setting(found, size, now):
            raise SystemExit(
                f"The other parts of {size} were measured otherwise ({'; '.join(differ)}): measure them all."
            )
    for patients in asked.sizes:
        with place(asked.keep and asked.keep / str(patients)) as folder:
            for part, one in measure(folder, patients, asked.part_only or parts_of(patients)):
                found = merged(load(), str(patients), now, part, one, list(PARTS))
                write(found, list(PARTS))
    print(tables(found, list(PARTS)))


if __name__ == "__main__":
    main()
