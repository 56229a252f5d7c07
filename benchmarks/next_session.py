"""How long the time to the next session takes on many patients, and how R does on the same spells.

    .venv/bin/python benchmarks/next_session.py [PATIENTS] [--r]

Five strata (bands of age). Prints the time from records to counts by day in DuckDB, in parts; the time from the counts
to curves with limits; the peak memory. With --r (Rscript and the package survival on the path) R `survfit` runs on the
same spells, read from memory, not from a file. Records are drawn from one constant hazard, in a database on disk.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from pipelines import time_to_next_session
from pipelines.estimators import survival_at
from pipelines.groups import EVERYBODY, chosen_fields
from pipelines.next_session import DEFAULT_AT_DAYS
from pipelines.next_session.estimands import HERE
from pipelines.next_session.probability import curve_of
from pipelines.next_session.spells import Request, folded, kept_spells
from registry import open_registry
from registry.store import DATABASE_FILE, start_registry

_PATIENTS = """
    insert into patient by name
    select
        'p' || lpad(i::varchar, 15, '0') as patient_key, 'A' as site_code, (18 + hash(i, 1) % 60)::integer
            as age_at_first_surgery_years,
        date '2000-01-01' + (hash(i, 2) % 9000)::integer as enrolled_on, 0 as sessions_elsewhere,
        'in_follow_up' as status_at_last_contact, 1 as intake_id
    from range({count}) as numbers(i)
"""
_SESSIONS = """
    insert into session by name
    select
        's' || k || lpad(i::varchar, 15, '0') as session_key, 'p' || lpad(i::varchar, 15, '0') as patient_key,
        'A' as site_code, 'S1' as surgeon_code, k as session_number,
        case when k = 1 then 'first_restoration' else 'progression' end as session_reason,
        date '2000-01-01' + (hash(i, 2) % 9000)::integer + if(k = 1, 0, 1 + (hash(i, 3) % 7000)::integer)
            as performed_on, 1 as intake_id
    from range({count}) as numbers(i), range(1, 3) as number(k)
    where k = 1 or hash(i, 4) % 10 < 3
"""
_R = """
library(survival)
spells <- read.csv(commandArgs(TRUE)[1])
started <- proc.time()[["elapsed"]]
curve <- survfit(Surv(exit_day, had_event) ~ group_1, data = spells, conf.type = "log-log")
seconds <- proc.time()[["elapsed"]] - started
at <- summary(curve, times = 3652, extend = TRUE)
cat(sprintf("%.2f\\n", seconds))
cat(sprintf("%s\\t%.10f\\n", sub("group_1=", "", at$strata), at$surv), sep = "")
"""


def fill(folder: Path, patients: int) -> None:
    start_registry(folder, ["A"], ["S1"], "Benchmark")
    with duckdb.connect(str(folder / DATABASE_FILE)) as connection:
        connection.execute(_PATIENTS.format(count=patients))
        connection.execute(_SESSIONS.format(count=patients))
        connection.execute(
            "insert into site_period by name select 'A' as site_code, '2026-Q3' as quarter, "
            "date '2026-09-30' as records_complete_to, 1 as intake_id"
        )


def timed(label: str, started: float) -> float:
    now = time.perf_counter()
    print(f"{label:<58}{now - started:8.2f} s", flush=True)
    return now


def main() -> None:
    numbers = [argument for argument in sys.argv[1:] if argument.isdigit()]
    patients = int(numbers[0]) if numbers else 1_000_000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "registry"
        fill(folder, patients)
        with open_registry(folder) as registry:
            fields = chosen_fields(("age_band",), registry.settings)
            request = Request(registry, fields, EVERYBODY, None, None)
            started = time.perf_counter()
            with kept_spells(request, HERE.steps) as texts:
                now = timed(f"{patients:,} patients: records to spells", started)
                groups = folded(request, texts)
                counted = timed("spells to counts by day", now)
                for tables in groups.values():
                    survival_at(curve_of(tables, HERE), DEFAULT_AT_DAYS)
                read = timed("counts to curves with limits", counted)
                own = read - now
                if "--r" in sys.argv:
                    spells = Path(place) / "spells.csv"
                    registry.connection.execute(
                        "copy (select $names[group_1] as group_1, exit_day, had_event::integer as had_event "
                        f"from coded_spell where reason is null) to '{spells}' (header)",
                        {"names": request.coded["group_1"]},
                    )
            print(f"{sum(table.n for table in groups.values()):,} patients counted in {len(groups)} groups")
            started = time.perf_counter()
            figures = time_to_next_session(registry, by=("age_band",))
            timed("all of it anew, with curves and limits", started)
        print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2:.2f} GiB")
        if "--r" in sys.argv:
            script = Path(place) / "survfit.R"
            script.write_text(_R, encoding="utf-8")
            answer = subprocess.run(["Rscript", str(script), str(spells)], capture_output=True, text=True, check=True)
            seconds, *lines = answer.stdout.splitlines()
            theirs = {name.strip(): float(survival) for name, survival in (line.split("\t") for line in lines)}
            mine = {figure.group["age_band"]: 1 - (figure.estimate or 0.0) for figure in figures if figure.at == 3652}
            print(
                f"R survfit on the same spells{'':<30}{float(seconds):8.2f} s, {float(seconds) / own:.0f} times as long"
            )
            print(f"largest difference at 10 years {max(abs(mine[name] - theirs[name]) for name in theirs):.1e}")


if __name__ == "__main__":
    main()
