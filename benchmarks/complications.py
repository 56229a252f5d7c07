"""How long the incidence of every complication takes on many sessions, and how much memory.

    .venv/bin/python benchmarks/complications.py [SESSIONS] [CONTACTS]

All kinds, any severity and severe, at 7 and 30 days, 12 months and ever. Records are made up: two sessions for every
third patient, CONTACTS contacts a session (3 unless given), one session in fifty with a complication record. Prints
the time, the time of all processors together (what counts where the machine does other work), and the peak memory of
the process. Goal for 10,000,000 sessions: under 20 s.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from pipelines.complication_incidence import complication_incidence
from pipelines.complication_kinds import ANY, KINDS, SEVERE
from registry import open_registry
from registry.store import DATABASE_FILE, start_registry

_PATIENTS = """
    insert into patient by name
    select
        'p' || lpad(i::varchar, 15, '0') as patient_key, 'A' as site_code, (18 + hash(i, 1) % 60)::integer
            as age_at_first_surgery_years,
        date '2000-01-01' as enrolled_on, 'in_follow_up' as status_at_last_contact, 1 as intake_id
    from range({patients}) as numbers(i)
"""
_SESSIONS = """
    insert into session by name
    select
        's' || lpad(i::varchar, 15, '0') as session_key, 'p' || lpad((i % {patients})::varchar, 15, '0')
            as patient_key,
        'A' as site_code, 'S1' as surgeon_code, (1 + i // {patients})::integer as session_number,
        'first_restoration' as session_reason, 'strip' as technique, 2000 as grafts_total,
        date '2000-01-01' + (hash(i % {patients}, 2) % 6000)::integer + (2000 * (i // {patients}))::integer
            as performed_on,
        1 as intake_id
    from range({sessions}) as numbers(i)
"""
_VISITS = """
    insert into visit by name
    select
        'v' || k || lpad(i::varchar, 15, '0') as visit_key, s.session_key,
        s.performed_on + [7, 75, 182, 380, 730][k] + (hash(i, k) % 5)::integer as visited_on,
        'in_person' as contact_mode,
        ['none', 'none', 'mild', 'moderate', 'severe'][(1 + hash(i, k, 1) % 5)::integer] as swelling_since_last,
        hash(i, k, 2) % 200 = 0 as periorbital_bruising_since_last,
        hash(i, k, 3) % 20 = 0 as folliculitis_since_last,
        if(hash(i, k, 4) % 300 = 0, 'superficial', 'none') as infection_since_last,
        1 as intake_id
    from (select session_key, performed_on, row_number() over () as i from session) s, range(1, {contacts} + 1) v(k)
    where hash(i, k, 5) % 10 < 8
"""
_COMPLICATIONS = """
    insert into complication by name
    select
        'c' || lpad(i::varchar, 15, '0') as complication_key, s.session_key,
        {kinds}[(1 + hash(i, 6) % len({kinds}))::integer] as kind,
        ['mild', 'moderate', 'severe'][(1 + hash(i, 7) % 3)::integer] as severity,
        (hash(i, 8) % 400)::integer as onset_day, 1 as intake_id
    from (select session_key, row_number() over () as i from session) s
    where hash(i, 9) % 50 = 0
"""


def fill(folder: Path, sessions: int, contacts: int) -> None:
    start_registry(folder, ["A"], ["S1"], "Benchmark")
    with duckdb.connect(str(folder / DATABASE_FILE)) as connection:
        patients = sessions * 3 // 4
        for sql in (_PATIENTS, _SESSIONS, _VISITS, _COMPLICATIONS):
            connection.execute(sql.format(patients=patients, sessions=sessions, contacts=contacts, kinds=list(KINDS)))
        connection.execute(
            "insert into site_period by name select 'A' as site_code, '2026-Q3' as quarter, "
            "date '2026-09-30' as records_complete_to, 1 as intake_id"
        )


def main() -> None:
    numbers = [int(argument) for argument in sys.argv[1:]]
    sessions, contacts = (numbers + [10_000_000, 3][len(numbers) :])[:2]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "registry"
        fill(folder, sessions, contacts)
        with open_registry(folder) as registry:
            started, of_processors = time.perf_counter(), time.process_time()
            figures = complication_incidence(registry, severities=(ANY, SEVERE))
            took, processors = time.perf_counter() - started, time.process_time() - of_processors
    print(f"{sessions:,} sessions, all {len(figures)} figures: {took:.1f} s (goal for 10,000,000: under 20 s)")
    print(f"processor time {processors:.1f} s")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2:.2f} GiB")


if __name__ == "__main__":
    main()
