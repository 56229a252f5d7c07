"""How long an export of a cohort takes, and how much memory.

    .venv/bin/python benchmarks/export.py [PATIENTS] [LEVEL]

A registry of fictional patients (50,000 unless given), of whom those who consented are exported to Parquet and CSV at
the level limited (unless given). Patients come from the model of the synthetic data in lots of 50,000, each with a seed
of its own, so that none is a copy of another, and go straight into the tables. Prints the time of each step, the time
of all processors together (what counts where the machine does other work), and the peak memory of the process that
exports, which is not the one that made the patients. Goals for 1,000,000 patients: limited under 60 s, anonymous under
180 s, under 6 GiB.
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from pathlib import Path

from pipelines.cohorts import define, store_cohort
from pipelines.exports import export_cohort, level_named
from registry import open_registry
from registry.definition import RECORD_TYPES
from registry.snapshot import computed_sums, store_sums
from registry.store import start_registry
from synthetic_data import SITES, SURGEONS, simulate

_LOT = 50_000


def fill(folder: Path, patients: int) -> None:
    """Make the registry, with the cohort `all`."""
    start_registry(folder, SITES, SURGEONS, "Benchmark")
    with open_registry(folder, read_only=False) as registry:
        connection = registry.connection
        for lot in range(0, patients, _LOT):
            frames = simulate(min(_LOT, patients - lot), 1 + lot // _LOT).frames
            for record in RECORD_TYPES:
                connection.register("incoming", frames[record.name])
                connection.execute(f"insert into {record.name} by name select *, 1 as intake_id from incoming")
                connection.unregister("incoming")
        # every lot declares the same quarters
        connection.execute(
            "create temp table declared as select * replace (sum(sessions_declared)::integer as sessions_declared) "
            "from site_period group by all; delete from site_period; insert into site_period by name from declared"
        )
        store_sums(connection, computed_sums(connection))
        store_cohort(registry, "all", define(registry.settings), defined_by="benchmark")


def main(patients: int, level: str) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "registry"
        maker = multiprocessing.get_context("spawn").Process(target=fill, args=(folder, patients))
        maker.start()
        maker.join()
        start, spent, steps = time.perf_counter(), time.process_time(), []
        steps.append((start, "Who is in it"))
        with open_registry(folder, read_only=False) as registry:
            done = export_cohort(
                registry,
                "all",
                Path(place) / "export",
                level=level_named(level),
                formats=("csv", "parquet"),
                exported_by="benchmark",
                progress=lambda words: steps.append((time.perf_counter(), words)),
            )
        end = time.perf_counter()
        for (at, words), (after, _) in zip(steps, [*steps[1:], (end, "")], strict=True):
            print(f"{words:<45}{after - at:>8.2f} s")
        size = sum(path.stat().st_size for path in done.folder.rglob("*")) / 2**20
        print(f"{patients:,} patients, {done.rows['patients']:,} exported, level {level}, {size:,.0f} MiB of files")
        print(f"{end - start:.1f} s; all processors together {time.process_time() - spent:.1f} s")
        print(f"Peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50_000, sys.argv[2] if len(sys.argv) > 2 else "limited")
