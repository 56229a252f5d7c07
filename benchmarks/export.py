"""How long an export of a cohort takes, and how much memory.

    .venv/bin/python benchmarks/export.py [PATIENTS] [LEVEL]

A registry of fictional patients (50,000 unless given), of whom those who consented are exported to Parquet and CSV at
the level limited (unless given). Prints the time of each step and the peak memory of the process, which includes the
making of the patients. Goals for 1,000,000 patients: limited under 60 s, anonymous under 180 s, under 6 GiB.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

from pipelines.cohorts import define, store_cohort
from pipelines.exports import export_cohort, level_named
from registry import open_registry
from registry.definition import RECORD_TYPES
from registry.store import start_registry
from synthetic_data import SITES, SURGEONS, simulate


def main(patients: int, level: str) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "registry"
        start_registry(folder, SITES, SURGEONS, "Benchmark")
        with open_registry(folder, read_only=False) as registry:
            frames = simulate(patients, 1).frames
            for record in RECORD_TYPES:
                registry.connection.register("incoming", frames[record.name])
                registry.connection.execute(f"insert into {record.name} by name select *, 1 as intake_id from incoming")
                registry.connection.unregister("incoming")
            del frames
            store_cohort(registry, "all", define(registry.settings), defined_by="benchmark")
        made = _peak()
        with open_registry(folder, read_only=False) as registry:
            start, steps = time.perf_counter(), []
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
        print(f"{patients:,} patients, {done.rows['patients']:,} exported, level {level}: {end - start:.1f} s")
        print(f"Peak memory {_peak():.2f} GiB; before the export {made:.2f} GiB")


def _peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50_000, sys.argv[2] if len(sys.argv) > 2 else "limited")
