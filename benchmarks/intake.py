"""How long a large delivery of visits takes to come in, and how much memory it needs.

    .venv/bin/python benchmarks/intake.py [ROWS]

Prints the time of a bare DuckDB load of the same CSV file, the time that Great Expectations takes on the frames it is
given, the time of the whole intake, and the peak memory of a process that does nothing else. Each part runs in a
process of its own. Goal for 1,000,000 rows: whole <= 5 x bare + Great Expectations, and at most 4 GiB.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import duckdb

VISITS_OF_A_SESSION = 10
TODAY = date(2026, 9, 30)

_PATIENTS = """
    select
        key('patient' || i) as patient_key, 'A' as site_code, 'male' as sex,
        18 + i % 60 as age_at_first_surgery_years, date '2015-01-01' + (i % 3000)::integer as first_surgery_on,
        date '2015-01-01' + (i % 3000)::integer as enrolled_on, 0 as sessions_elsewhere,
        'in_follow_up' as status_at_last_contact
    from range({count}) as numbers(i)
"""
_SESSIONS = """
    select
        key('session' || i) as session_key, key('patient' || i) as patient_key,
        'A' as site_code, 'S1' as surgeon_code, 1 as session_number,
        date '2015-01-01' + (i % 3000)::integer as performed_on, 'strip' as technique,
        'first_restoration' as session_reason, 1500 + i % 1500 as grafts_total
    from range({count}) as numbers(i)
"""
_VISITS = """
    select
        key('visit' || i) as visit_key,
        key('session' || i // {each}) as session_key,
        date '2015-01-01' + (i // {each} % 3000)::integer
            + [1, 7, 30, 90, 182, 270, 365, 540, 730, 1095][(i % 10 + 1)::integer] as visited_on,
        pick(['in_person', 'phone', 'video', 'photographs'], i, 1) as contact_mode,
        pick(['scheduled', 'symptom', 'session', 'other'], i, 2) as visit_reason,
        case when i % 10 = 0 then 'normal' end as sensation_before,
        pick(['none', 'mild', 'moderate', 'severe'], i, 3) as swelling_since_last,
        pick(['yes', 'no'], i, 4) as periorbital_bruising_since_last,
        pick(['yes', 'no'], i, 5) as folliculitis_since_last,
        pick(['none', 'superficial', 'deep'], i, 6) as infection_since_last,
        pick(['none', 'mild'], i, 7) as swelling_now,
        (hash(i, 8) % 20)::integer as folliculitis_lesions,
        'none' as infection,
        pick(['none', 'reduced', 'absent_sensation'], i, 9) as numbness_donor,
        pick(['none', 'reduced', 'absent_sensation'], i, 10) as numbness_recipient,
        case when i % 10 < 2 then 'yes' else 'no' end as crusts_present,
        pick(['yes', 'no'], i, 11) as shedding_seen,
        pick(['yes', 'no'], i, 12) as new_growth_visible,
        case when i % 10 >= 4 then ((hash(i, 13) % 100)::integer / 10)::decimal(4, 1) end as scar_width_mm,
        pick(['minoxidil_topical;finasteride_oral', 'none', null], i, 14) as medical_therapy_now,
        case when i % 10 >= 6 then 'no' end as surgery_elsewhere_since,
        (hash(i, 15) % 11)::integer as satisfaction
    from range({count}) as numbers(i)
"""


def write_files(folder: Path, rows: int) -> None:
    """Patients and sessions for that many visits, and the visits."""
    sessions = -(-rows // VISITS_OF_A_SESSION)
    with duckdb.connect() as connection:
        connection.execute("create macro pick(answers, i, k) as answers[(hash(i, k) % len(answers))::integer + 1]")
        connection.execute(
            "create macro key(seed) as seed[1] || left(translate(to_base64(unhex(sha256(seed))), '+/', '-_'), 31)"
        )
        for name, sql, count in (
            ("patient", _PATIENTS, sessions),
            ("session", _SESSIONS, sessions),
            ("visit", _VISITS, rows),
        ):
            filled = sql.replace("{count}", str(count)).replace("{each}", str(VISITS_OF_A_SESSION))
            connection.execute(f"copy ({filled}) to '{folder / f'{name}.csv'}' (header)")


def bare_load(folder: Path) -> dict[str, float]:
    """A table made from the CSV file by DuckDB alone, on disk, checked for nothing."""
    with duckdb.connect(str(folder / "bare.duckdb")) as connection:
        began = time.perf_counter()
        connection.execute("create table visit as from read_csv(?)", [str(folder / "visit.csv")])
        connection.execute("checkpoint")
        return {"seconds": time.perf_counter() - began}


def intake(folder: Path, names: Sequence[str]) -> dict[str, float]:
    """The files of these record types taken in, with the time spent inside Great Expectations."""
    from pipelines.intake import run, run_intake
    from registry import open_registry

    spent = 0.0
    make: Callable[[], Any] = run.make_validator

    def timed_validator() -> Any:
        nonlocal spent
        began = time.perf_counter()
        validate = make()
        spent += time.perf_counter() - began

        def timed(*arguments: Any) -> Any:
            nonlocal spent
            began = time.perf_counter()
            try:
                return validate(*arguments)
            finally:
                spent += time.perf_counter() - began

        return timed

    run.make_validator = timed_validator
    steps: list[tuple[str, float, float]] = []
    began = time.perf_counter()

    def step(words: str) -> None:
        steps.append((words, time.perf_counter(), spent))

    with open_registry(folder / "registry", read_only=False) as registry:
        report = run_intake(
            registry,
            [folder / f"{name}.csv" for name in names],
            today=TODAY,
            received_by="benchmark",
            progress=step,
        )
    ended = time.perf_counter()
    assert report.total().loaded == report.total().read, report.rules
    for (words, at, inside), (_, following, inside_then) in zip(steps, [*steps[1:], ("", ended, spent)], strict=True):
        print(f"  {words:<40}{following - at:8.1f} s, {inside_then - inside:6.1f} s of it inside", file=sys.stderr)
    return {
        "seconds": ended - began,
        "great_expectations_seconds": spent,
        "peak_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024,
        "file_bytes": (folder / "registry" / "registry.duckdb").stat().st_size,
    }


def apart(part: str, folder: Path) -> dict[str, float]:
    """One part in a process of its own."""
    done = subprocess.run([sys.executable, __file__, part, str(folder)], stdout=subprocess.PIPE, text=True, check=True)
    result: dict[str, float] = json.loads(done.stdout)
    return result


def main(rows: int) -> None:
    from registry import start_registry

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_files(folder, rows)
        bare = min(
            (apart("bare", folder) for _ in range(3) if not (folder / "bare.duckdb").unlink(missing_ok=True)),
            key=lambda found: found["seconds"],
        )
        start_registry(folder / "registry", ["A"], ["S1"], "Benchmark")
        apart("parents", folder)
        whole = apart("visits", folder)
        allowed = 5 * bare["seconds"] + whole["great_expectations_seconds"]
        print(f"rows                        {rows:>12,}")
        print(f"CSV file                    {(folder / 'visit.csv').stat().st_size / 2**20:>12.0f} MiB")
        print(f"bare DuckDB load            {bare['seconds']:>12.2f} s (best of 3)")
        print(f"inside Great Expectations   {whole['great_expectations_seconds']:>12.2f} s")
        print(f"whole intake                {whole['seconds']:>12.2f} s (goal: at most {allowed:.2f} s)")
        print(f"peak memory                 {whole['peak_bytes'] / 2**30:>12.2f} GiB (goal: at most 4 GiB)")


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["bare", folder]:
            print(json.dumps(bare_load(Path(folder))))
        case ["parents", folder]:
            print(json.dumps(intake(Path(folder), ["patient", "session"])))
        case ["visits", folder]:
            print(json.dumps(intake(Path(folder), ["visit"])))
        case [rows]:
            main(int(rows))
        case _:
            main(1_000_000)
