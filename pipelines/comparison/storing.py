"""Case-mix models frozen in the registry: numbered, never changed, and without anything of a single patient."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta

from registry.changes import last_intake_id, transaction
from registry.errors import Fault, GraftledgerError
from registry.store import Registry, has_table
from registry.version import program_version

from .calibration import Calibration, CalibrationGroup
from .case_mix import Baseline, CaseMixFit, CaseMixModel, fit_case_mix
from .factors import Factor
from .measures import COMPARED, NEXT_SESSION
from .next_session_fit import fit_next_session_model
from .sessions import compared_sessions

REFERENCE_YEARS = 5
"""Length of a reference period, where none is stated (common practice, no source)."""
REPORT = "case-mix model"


@dataclass(frozen=True)
class FrozenModel:
    """What is known of a frozen model beside its numbers. snapshot, settings: of the records it was fitted to."""

    model_id: int
    reference_from: date
    reference_to: date
    frozen_at: datetime
    frozen_by: str
    snapshot: str
    settings: str
    program_version: str


def reference_period(last_on: date, years: int = REFERENCE_YEARS) -> tuple[date, date]:
    """First and last day of so many years that end on a day.

    >>> reference_period(date(2026, 9, 30))
    (datetime.date(2021, 10, 1), datetime.date(2026, 9, 30))
    """
    day_after = last_on + timedelta(days=1)
    leap_day = (day_after.month, day_after.day) == (2, 29)
    first = date(day_after.year - years, 3, 1) if leap_day else day_after.replace(year=day_after.year - years)
    return first, last_on


def fit_models(
    registry: Registry, first_on: date, last_on: date, *, as_of: date | None = None
) -> dict[str, CaseMixModel]:
    """The models of every measure over a reference period, by measure (`fit_case_mix`), and of the next session."""
    floor = registry.settings.floor_denominator
    found = {
        name: fit_case_mix(compared_sessions(registry, measure, as_of=as_of), measure, first_on, last_on, floor=floor)
        for name, measure in COMPARED.items()
    }
    return found | {NEXT_SESSION: fit_next_session_model(registry, first_on, last_on, as_of=as_of)}


def freeze_models(registry: Registry, first_on: date, last_on: date, *, frozen_by: str) -> FrozenModel:
    """Fit the models of a reference period and keep them in the registry under the next number.

    The event is written into the ledger of reports too, so that an erasure names the models that counted a patient.
    Raises: GraftledgerError where the period ends before it begins, or no session of it can be judged.
    """
    if last_on < first_on:
        raise GraftledgerError("The reference period ends before it begins. Give its first day first.")
    models = fit_models(registry, first_on, last_on)
    if not any(model.whole for model in models.values()):
        raise GraftledgerError(
            Fault(
                f"no session from {first_on} to {last_on} has an outcome that can be told, so nothing was frozen.",
                mend="Choose another reference period, or take in the records of this one first.",
            )
        )
    connection, now = registry.connection, datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    with transaction(connection):
        model_id = len(list_models(registry)) + 1
        intake_id, snapshot = last_intake_id(connection), registry.snapshot
        connection.execute(
            "insert into case_mix_model values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                *(model_id, first_on, last_on, now, frozen_by),
                *(intake_id, snapshot, registry.settings.digest, program_version()),
            ],
        )
        for model in models.values():
            _insert(registry, model_id, model)
        connection.execute(
            "insert into report_ledger select coalesce(max(report_id), 0) + 1, ?, ?, ?, ?, ? from report_ledger",
            [REPORT, str(model_id), intake_id, snapshot, now],
        )
    return list_models(registry)[-1]


def list_models(registry: Registry) -> tuple[FrozenModel, ...]:
    """Every frozen model, by number; shown as of an earlier intake, those frozen before the next one."""
    if not has_table(registry.connection, "case_mix_model"):
        return ()
    found = registry.connection.execute(
        "select model_id, reference_from, reference_to, frozen_at, frozen_by, snapshot, settings, program_version "
        "from case_mix_model where intake_id <= coalesce($until, intake_id) order by model_id",
        {"until": registry.as_of_intake},
    ).fetchall()
    return tuple(FrozenModel(*row) for row in found)


def frozen_model(registry: Registry, model_id: int) -> FrozenModel:
    """The frozen model of that number. Raises: GraftledgerError where there is none."""
    known = list_models(registry)
    if not 1 <= model_id <= len(known):
        there = f"There are models 1 to {len(known)}." if known else "None is frozen yet: graftledger case-mix fit."
        raise GraftledgerError(f"There is no case-mix model {model_id}. {there}")
    return known[model_id - 1]


def load_models(registry: Registry, model_id: int) -> dict[str, CaseMixModel]:
    """The models of every measure, and of the next session, as they were frozen, by measure.

    Raises: GraftledgerError as `frozen_model`.
    """
    frozen, connection = frozen_model(registry, model_id), registry.connection
    rows = connection.execute(
        "select measure, left_out, method, coefficients, n, events, patients from case_mix_fit where model_id = ? "
        "order by measure, left_out",
        [model_id],
    ).fetchall()
    baselines = _baselines(registry, model_id)
    fits: dict[str, dict[str | None, CaseMixFit]] = {}
    for measure, left_out, method, coefficients, n, events, patients in rows:
        fits.setdefault(measure, {})[left_out] = CaseMixFit(
            method, tuple(coefficients), n, events, patients, baselines.get((measure, left_out))
        )
    told = connection.execute(
        "select measure, surgeons, factors, not_counted, tenths, c_statistic, slope, slope_error, intercept "
        "from case_mix_measure where model_id = ?",
        [model_id],
    ).fetchall()
    found = {}
    for measure, surgeons, factors, not_counted, tenths, c, slope, error, intercept in told:
        own = fits.get(measure, {})
        groups = tuple(CalibrationGroup(**group) for group in json.loads(tenths)) if tenths else ()
        found[measure] = CaseMixModel(
            measure,
            frozen.reference_from,
            frozen.reference_to,
            tuple(Factor.from_dict(data) for data in json.loads(factors)),
            own.get(None),
            {code: own.get(code) for code in surgeons},
            Calibration(c, slope, error, intercept, groups) if tenths else None,
            json.loads(not_counted),
        )
    return {name: found[name] for name in (*COMPARED, NEXT_SESSION) if name in found}


def _baselines(registry: Registry, model_id: int) -> dict[tuple[str, str | None], Baseline]:
    """By measure and surgeon left out."""
    if not has_table(registry.connection, "case_mix_baseline"):
        return {}
    query = "select measure, left_out, days, cumulative_hazard from case_mix_baseline where model_id = ?"
    found = registry.connection.execute(query, [model_id]).fetchall()
    return {(measure, code): Baseline(tuple(days), tuple(hazard)) for measure, code, days, hazard in found}


def _insert(registry: Registry, model_id: int, model: CaseMixModel) -> None:
    connection, checks = registry.connection, model.checks
    numbers = (checks.c_statistic, checks.slope, checks.slope_error, checks.intercept) if checks else (None,) * 4
    connection.execute(
        "insert into case_mix_measure values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            model_id,
            model.measure,
            list(model.without),
            json.dumps([factor.as_dict() for factor in model.factors]),
            json.dumps(dict(model.not_counted)),
            *numbers,
            json.dumps([asdict(group) for group in checks.groups]) if checks else None,
        ],
    )
    fits: list[tuple[str | None, CaseMixFit | None]] = [(None, model.whole), *model.without.items()]
    for left_out, fit in fits:
        if fit is None:
            continue
        numbers_of_fit = [fit.method, list(fit.coefficients), fit.n, fit.events, fit.patients]
        connection.execute(
            "insert into case_mix_fit values (?, ?, ?, ?, ?, ?, ?, ?)",
            [model_id, model.measure, left_out, *numbers_of_fit],
        )
        if fit.baseline is not None:
            connection.execute(
                "insert into case_mix_baseline values (?, ?, ?, ?, ?)",
                [model_id, model.measure, left_out, list(fit.baseline.days), list(fit.baseline.cumulative)],
            )
