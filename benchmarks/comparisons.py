"""What a user would do in place of ours, on the same records, each timed from where ours starts too.

The curves of R, lifelines and pandas are those of ours: tests/benchmarks holds them equal, so that no time is compared
with that of another task. R and lifelines get spells that our SQL made, already in memory, and are set beside our fold
and curves of the same spells in the same process; pandas reads the Parquet files and is set beside ours from the
registry, limits included. Great Expectations judges whole columns, each value as often as it stands there, by the
checks of fields alone; ours judges distinct values, and rules, keys and references besides.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from pipelines.intake.checks import NOT_NULL, Check, exists_column, field_checks, number_column, written_column
from registry import Settings, open_registry, record_type
from registry._ddl import quoted
from registry.definition import EARLIEST_DATE, ELSEWHERE, Field, Kind, Severity

if TYPE_CHECKING:
    import pandas as pd

READ_AT = 3652
"""The day, ten years on, at which curves are read to see that they are the same."""
CHUNK_ROWS = 200_000
"""Rows of a frame for Great Expectations: what the intake gives it at once."""
_R = """
library(survival)
answer <- commandArgs(TRUE)
column <- function(name) readBin(file.path(answer[1], name), "integer", as.integer(answer[2]))
spells <- Surv(column("entry"), column("exit"), column("event"))
band <- column("band")
started <- proc.time()
curve <- survfit(spells ~ band, conf.type = "log-log")
spent <- proc.time() - started
at <- summary(curve, times = as.integer(answer[3]), extend = TRUE)
cat(sprintf("%.3f %.3f\\n", spent[["elapsed"]], spent[["user.self"]] + spent[["sys.self"]]))
cat(sprintf("%s %.12f\\n", sub("band=", "", at$strata), at$surv), sep = "")
"""

Curves = dict[str, float]
"""The share without a next session at `READ_AT`, by age band."""
Spent = dict[str, float]


def timed(work: Callable[[], Any]) -> tuple[Spent, Any]:
    """Seconds on the clock, and of all processors together; and what the work gives."""
    began, spent = time.perf_counter(), time.process_time()
    answer = work()
    return {"seconds": time.perf_counter() - began, "processor_seconds": time.process_time() - spent}, answer


@contextmanager
def spells_in_memory(folder: Path) -> Iterator[tuple[Spent, Curves, list[str], pd.DataFrame]]:
    """Ours on spells that are kept: time and curves. Then the same spells as a frame, bands as places in a list."""
    from pipelines.estimators import survival_at
    from pipelines.groups import EVERYBODY, chosen_fields
    from pipelines.next_session import DEFAULT_AT_DAYS
    from pipelines.next_session.estimands import HERE
    from pipelines.next_session.probability import curve_of
    from pipelines.next_session.spells import Request, folded, kept_spells

    with open_registry(folder / "registry") as registry:
        request = Request(registry, chosen_fields(("age_band",), registry.settings), EVERYBODY, None, None)
        with kept_spells(request, HERE.steps) as texts:

            def ours() -> Curves:
                curves = {group[0]: curve_of(tables, HERE) for group, tables in folded(request, texts).items()}
                for curve in curves.values():
                    survival_at(curve, DEFAULT_AT_DAYS)
                read = {band: survival_at(curve, (READ_AT,))[0].estimate for band, curve in curves.items()}
                return {band: survival for band, survival in read.items() if survival is not None}

            ours()  # imports scipy
            spent, curves = timed(ours)
            frame = registry.connection.sql(
                "select if(entry_day > 0, entry_day, -1)::integer as entry, exit_day::integer as exit, "
                "had_event::integer as event, group_1::integer as band from coded_spell "
                "where reason is null and first_operated = 'here'"
            ).df()
        yield {f"ours_{name}": value for name, value in spent.items()}, curves, request.coded["group_1"], frame


def lifelines_curves(folder: Path) -> tuple[Spent, Curves, Curves]:
    from lifelines import KaplanMeierFitter

    with spells_in_memory(folder) as (ours, ours_curves, names, frame):

        def work() -> Curves:
            found = {}
            for band, part in frame.groupby("band"):
                fitted = KaplanMeierFitter().fit(part.exit, part.event, entry=part.entry)
                found[names[int(str(band)) - 1]] = float(fitted.predict(READ_AT))
            return found

        spent, curves = timed(work)
    return spent | ours, curves, ours_curves


def r_versions() -> dict[str, str]:
    """Versions of R and of its package survival; none where either is not installed."""
    if not shutil.which("Rscript"):
        return {}
    ask = "cat(as.character(getRversion()), as.character(packageVersion('survival')))"
    done = subprocess.run(["Rscript", "-e", ask], capture_output=True, text=True)
    return {} if done.returncode else dict(zip(("R", "survival of R"), done.stdout.split(), strict=True))


def r_curves(folder: Path) -> tuple[Spent, Curves, Curves]:
    """Raises: MemoryError where R has too little."""
    with tempfile.TemporaryDirectory(dir=folder) as name:
        place = Path(name)
        with spells_in_memory(folder) as (ours, ours_curves, names, frame):
            for column in frame.columns:
                frame[column].to_numpy().tofile(place / column)
            rows = len(frame)
            del frame
        script = place / "survfit.R"
        script.write_text(_R, encoding="utf-8")
        line = ["Rscript", str(script), name, str(rows), str(READ_AT)]
        done = subprocess.run(line, capture_output=True, text=True)
    if "cannot allocate" in done.stderr or "memory exhausted" in done.stderr or done.returncode == -9:
        raise MemoryError
    if done.returncode:
        raise SystemExit(done.stderr)
    first, *lines = done.stdout.splitlines()
    seconds, processor_seconds = map(float, first.split())
    curves = {names[int(band) - 1]: float(survival) for band, survival in map(str.split, lines)}
    return {"seconds": seconds, "processor_seconds": processor_seconds} | ours, curves, ours_curves


def pandas_curves(folder: Path) -> tuple[Spent, Curves]:
    """From the Parquet files to counts by day and curves, by sorting and grouping rows; no limits."""
    import pandas as pd
    import pyarrow.parquet  # loaded by the first file otherwise

    assert pyarrow.parquet
    with open_registry(folder / "registry") as registry:
        settings = registry.settings
    return timed(lambda: _curves_of(pd, folder / "records", settings))


def _curves_of(pd: Any, records: Path, settings: Settings) -> Curves:
    from pipelines.groups import NOT_RECORDED

    def read(record: str, *columns: str) -> pd.DataFrame:
        files = sorted(records.glob(f"*/{record}.parquet"))
        parts = [pd.read_parquet(file, columns=list(columns), dtype_backend="pyarrow") for file in files]
        frame = pd.concat(parts, ignore_index=True)
        return frame.astype({name: "datetime64[s]" for name in columns if name.endswith(("_on", "_to"))})

    sessions = read(
        "session", "patient_key", "site_code", "surgeon_code", "session_number", "performed_on", "performed_precision"
    )
    sessions = sessions[sessions.surgeon_code != ELSEWHERE]
    sessions = sessions.sort_values(["patient_key", "session_number", "performed_on"])
    sessions["next_on"] = sessions.groupby("patient_key").performed_on.shift(-1)
    first = sessions.drop_duplicates("patient_key")
    complete = read("site_period", "site_code", "records_complete_to").groupby("site_code").records_complete_to.max()
    patients = read(
        "patient",
        "patient_key", "age_at_first_surgery_years", "enrolled_on", "died_on", "sessions_elsewhere", "dates_shifted",
    )  # fmt: skip
    spells = first.merge(patients, on="patient_key")
    spells["observed_to"] = spells.site_code.map(complete)
    spells = spells[
        (spells.sessions_elsewhere.fillna(0) == 0)
        & (spells.session_number.fillna(1) == 1)
        & ~spells.dates_shifted.fillna(False)
        & (spells.performed_precision.fillna("day") == "day")
        & spells.observed_to.notna()
    ]
    end = (spells[["observed_to", "died_on"]].min(axis=1) - spells.performed_on).dt.days
    next_day = (spells.next_on - spells.performed_on).dt.days
    edges, age = [-1, *settings.age_edges, 1000], spells.age_at_first_surgery_years.astype(float)
    band = pd.cut(age, edges, right=False, labels=settings.age_bands).cat.add_categories(NOT_RECORDED)
    counted = pd.DataFrame(
        {
            "band": band.fillna(NOT_RECORDED),
            "entry": (spells.enrolled_on - spells.performed_on).dt.days.clip(lower=0).fillna(0),
            "exit": pd.concat([end, next_day], axis=1).min(axis=1),
            "event": next_day <= end,
        }
    )
    counted = counted[(counted.exit >= 0) & ((counted.entry == 0) | (counted.entry < counted.exit))]
    leaving = counted.groupby(["band", "exit"], observed=True).event.agg(["size", "sum"])
    entering = counted[counted.entry > 0].groupby(["band", "entry"], observed=True).size()
    found = {}
    for band, days in leaving.groupby(level="band", observed=True):
        days = days.droplevel("band").sort_index()
        entered = (
            entering[band].sort_index() if band in entering.index.get_level_values("band") else pd.Series(dtype=int)
        )
        still = days["size"][::-1].cumsum()[::-1]  # leave on the day or later, less those who enter on it or later
        later = entered.sum() - entered.cumsum().shift(fill_value=0)
        at_risk = still - later.reindex(still.index, method="bfill").fillna(0)
        survival = (1 - days["sum"] / at_risk).cumprod()
        found[str(band)] = float(survival[survival.index <= READ_AT].iloc[-1])
    return found


def as_text(field: Field, check: Check) -> Check:
    """A check of how a key is written, as the library makes it of the keys themselves."""
    if check.arguments["column"] != written_column(field):
        return check
    arguments = {"column": field.name}
    if check.expectation == NOT_NULL:
        return replace(check, arguments=arguments)
    regex = {"regex": field.pattern}
    return replace(check, expectation="ExpectColumnValuesToMatchRegex", arguments=arguments | regex)


def great_expectations_alone(folder: Path) -> Spent:
    """The field checks of every visit of one lot, as many rows at once as the intake gives."""
    from pipelines.intake.validation import make_validator

    with open_registry(folder / "registry") as registry:
        settings = registry.settings
    visit, columns = record_type("visit"), []
    for field in visit.fields:
        name, number = quoted(field.name), quoted(number_column(field))
        text = {Kind.CODE_SET: f"array_to_string({name}, ';')", Kind.YES_NO: f"if({name}, 'yes', 'no')"}
        known = text.get(field.kind, f"{name}::varchar")
        columns.append(f"case when {name} is not null then {known} end as {name}")
        if field.kind is Kind.DATE:
            columns.append(f"{name} is not null or null as {quoted(exists_column(field))}")
            columns.append(f"({name} - date '{EARLIEST_DATE}')::double as {number}")
        if field.kind in (Kind.INTEGER, Kind.NUMBER):
            columns.append(f"{name}::double as {number}")
    checks = [as_text(field, check) for field in visit.fields for check in field_checks(field, settings)]
    lot = min((folder / "records").iterdir())
    validate, rows = make_validator(), 0
    spent: Spent = {"seconds": 0.0, "processor_seconds": 0.0}
    with duckdb.connect() as connection:
        connection.execute(
            f"create table lot as select {', '.join(columns)} from read_parquet(?)", [str(lot / "visit.parquet")]
        )
        rows = connection.sql("from lot").shape[0]
        for start in range(0, rows, CHUNK_ROWS):
            frame = connection.sql(f"from lot limit {CHUNK_ROWS} offset {start}").df()
            some, failures = timed(partial(validate, frame, checks))
            assert not [check for check, _ in failures if check.severity is Severity.HOLD], (
                "sound rows were found at fault"
            )
            spent = {name: spent[name] + some[name] for name in spent}
    return {**spent, "rows": rows}


COMPARISONS: Mapping[str, Callable[[Path], Spent]] = {
    "Great Expectations alone, visits of one lot": great_expectations_alone,
    "R survfit, a curve an age band, spells in memory": lambda folder: r_curves(folder)[0],
    "lifelines, a curve an age band, spells in memory": lambda folder: lifelines_curves(folder)[0],
    "pandas, a curve an age band, from Parquet": lambda folder: pandas_curves(folder)[0],
}
