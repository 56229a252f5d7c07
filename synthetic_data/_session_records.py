"""The session records: sessions here as they were done, sessions elsewhere as far as learned of."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.random import Generator

from registry.definition import ELSEWHERE

from ._areas import ZONE_SETS
from ._draw import (
    NEVER,
    Bools,
    Floats,
    Ints,
    checked_codes,
    code_column,
    day_column,
    declared_columns,
    keys,
    labels,
    nullable,
    pick,
    stream,
)
from ._history import History
from ._patient_records import to_precision
from ._patients import Patients
from ._sessions import EXCISION, TECHNIQUES, Sessions, draw_reasons
from .clinics import SITES, SURGEONS
from .model import Model

CLOSURES = checked_codes(
    "session", "donor_closure", ("trichophytic_lower_edge", "trichophytic_upper_edge", "plain", "not_applicable")
)
_SOURCES: tuple[tuple[str, ...], ...] = (("scalp",), ("beard", "scalp"), ("body", "scalp"), ("beard", "body", "scalp"))
_TESTS: tuple[tuple[str, ...], ...] = (
    ("blood_count", "clotting"),
    ("blood_count", "clotting", "hepatitis_b", "hepatitis_c", "hiv"),
    ("hepatitis_b", "hepatitis_c", "hiv"),
    ("blood_count", "ferritin", "thyroid"),
    ("none",),
)


def draw_closures(sessions: Sessions, seed: int, model: Model) -> tuple[Ints, Floats]:
    """Position in CLOSURES, and the true width of the scar in millimetres, 0 without a strip."""
    rng = stream(seed, "closures")
    closure = np.where(sessions.technique == EXCISION, 3, pick(rng, len(sessions), (0.45, 0.20, 0.35)))
    median = np.array([model.scar_median_mm.get(name, 1.0) for name in CLOSURES])[closure]
    width = median * np.exp(rng.normal(0.0, model.scar_log_sd, len(sessions)))
    return closure, np.where(sessions.stripped, width, 0.0)


def session_frame(
    patients: Patients,
    history: History,
    sessions: Sessions,
    patient_keys: pl.Series,
    session_keys: pl.Series,
    zone_set: Ints,
    closure: Ints,
    seed: int,
) -> pl.DataFrame:
    """One row a session here, in the order of the sessions."""
    rng = stream(seed, "session records")
    count = len(sessions)
    reasons, reason = draw_reasons(rng, patients, history, sessions)
    excision = sessions.technique == EXCISION
    sizes, sizes_missing = _sizes(rng, sessions.grafts), rng.random(count) < 0.15
    discarded = rng.binomial(sessions.grafts, 0.015)
    harvested = sessions.grafts + discarded
    transected = rng.binomial(harvested, np.where(excision, 0.045, 0.018))
    harvest_missing = rng.random(count) < 0.20
    hours = np.clip(1.6 + sessions.grafts / 560.0 + rng.normal(0.0, 0.6, count), 1.5, 13.0)
    beard_or_body = excision & (sessions.number > 1) & (rng.random(count) < 0.25)

    def codes(field: str, missing_share: float, **shares: float) -> pl.Series:
        return code_column(rng, count, "session", field, shares, missing_share)

    def missing(share: float) -> Bools:
        return np.asarray(rng.random(count) < share)

    def sets(names: tuple[tuple[str, ...], ...], position: Ints, share: float) -> pl.Series:
        return labels(names, position, missing(share), pl.List(pl.String))

    frame = pl.DataFrame(
        {
            "session_key": session_keys,
            "patient_key": patient_keys.gather(pl.Series(sessions.patient)),
            "site_code": labels(SITES, sessions.site),
            "surgeon_code": labels(SURGEONS, sessions.surgeon),
            "harvest_by": _colleague(rng, sessions, 0.04),
            "placed_by": _colleague(rng, sessions, 0.08),
            "session_number": pl.Series(sessions.number, dtype=pl.Int32),
            "performed_on": day_column(sessions.day),
            "performed_precision": labels(("day",), np.zeros(count, dtype=np.int64), missing(0.5)),
            "further_sessions_planned": nullable(
                history.further_planned[sessions.patient, sessions.step], missing(0.04), pl.Int32
            ),
            "session_reason": labels(reasons, reason),
            "technique": labels(TECHNIQUES, sessions.technique),
            "donor_source": sets(_SOURCES, np.where(beard_or_body, 1 + pick(rng, count, (0.8, 0.14, 0.06)), 0), 0.04),
            "donor_closure": labels(CLOSURES, closure, missing(0.06) | (excision & missing(0.4))),
            "zones": sets(ZONE_SETS, zone_set, 0.03),
            "grafts_total": pl.Series(sessions.grafts, dtype=pl.Int32),
            **{f"grafts_{hairs}_hair": nullable(sizes[hairs - 1], sizes_missing, pl.Int32) for hairs in (1, 2, 3, 4)},
            "grafts_harvested": nullable(harvested, harvest_missing, pl.Int32),
            "grafts_discarded": nullable(discarded, harvest_missing | missing(0.10), pl.Int32),
            "grafts_transected": nullable(transected, harvest_missing | missing(0.10), pl.Int32),
            "recipient_area_cm2": nullable(sessions.area_cm2, missing(0.12)),
            "duration_hours": nullable(np.round(hours, 1), missing(0.08)),
            "out_of_body_minutes": nullable(sessions.out_of_body, missing(0.18)),
            "holding_solution": codes(
                "holding_solution",
                0.10,
                saline=0.42,
                lactated_ringer=0.22,
                tissue_storage_solution=0.26,
                plasma_based=0.07,
                other=0.03,
            ),
            "atp_added": codes("atp_added", 0.12, no=0.78, yes=0.18, unknown=0.04),
            "kept_chilled": codes("kept_chilled", 0.10, yes=0.80, no=0.17, unknown=0.03),
            "bleeding_risk_medicines": codes(
                "bleeding_risk_medicines",
                0.05,
                none_taken=0.86,
                stopped_with_prescriber=0.07,
                continued=0.02,
                not_reviewed=0.05,
            ),
            "tests_done": sets(_TESTS, pick(rng, count, (0.30, 0.38, 0.14, 0.06, 0.12)), 0.06),
            "allergies_recorded": codes("allergies_recorded", 0.03, yes=0.95, no=0.04, unknown=0.01),
            "antibiotic_given": codes("antibiotic_given", 0.05, yes=0.55, no=0.43, unknown=0.02),
        }
    )
    return declared_columns("session", frame)


def elsewhere_frame(
    patients: Patients,
    history: History,
    sessions: Sessions,
    visits: pl.DataFrame,
    patient_keys: pl.Series,
    session_keys: pl.Series,
    seed: int,
    model: Model,
) -> pl.DataFrame:
    """One row a session elsewhere that the practice has a record of.

    It is learned of at the first contact that answers yes, and then recorded for a share of them; or at the next
    session here, and then always, since the sessions are counted.
    """
    rng = stream(seed, "elsewhere")
    patient, step = np.nonzero(~history.here & (history.day < NEVER))
    day = history.day[patient, step]
    known = np.searchsorted(sessions.patient * 100 + sessions.step, patient * 100 + step) - 1
    known = np.maximum(known, 0)  # the session here before it; the first of each patient is always in the records
    first_yes = _first_yes(visits, session_keys, sessions)
    by_contact = _next_contact_with_yes(first_yes, known, day)
    seen_here = np.minimum(sessions.end[known], patients.died[patient])
    by_session = np.where(sessions.next_here[known] <= seen_here, sessions.next_here[known], NEVER)
    recorded = rng.random(len(day)) < model.elsewhere_row_share
    learned = np.where(recorded | (by_session < NEVER), np.minimum(by_contact, by_session), NEVER)
    kept = learned < NEVER
    precision = pick(rng, len(day), (0.30, 0.50, 0.20))
    dated = np.minimum(to_precision(day, precision), learned)
    earliest = np.maximum(sessions.day[known], history.day[patient, step - 1])
    ahead = np.minimum(step + 1, history.here.shape[1] - 1)
    beside_another = ~history.here[patient, step - 1] | ~history.here[patient, ahead]
    exact = (dated < earliest) | beside_another
    precision, dated = np.where(exact, 0, precision), np.where(exact, day, dated)
    count = int(kept.sum())
    frame = pl.DataFrame(
        {
            "session_key": keys(rng, count),
            "patient_key": patient_keys.gather(pl.Series(patient[kept])),
            "site_code": labels(SITES, patients.site[patient[kept]]),
            "surgeon_code": labels((ELSEWHERE,), np.zeros(count, dtype=np.int64)),
            "session_number": pl.Series((patients.elsewhere_before[patient] + step + 1)[kept], dtype=pl.Int32),
            "performed_on": day_column(dated[kept]),
            "performed_precision": labels(("day", "month", "year"), precision[kept]),
            "learned_on": day_column(learned[kept]),
        }
    )
    return declared_columns("session", frame)


def _first_yes(visits: pl.DataFrame, session_keys: pl.Series, sessions: Sessions) -> pl.DataFrame:
    """Contacts that report surgery elsewhere: position of their session, and day."""
    position = pl.DataFrame({"session_key": session_keys, "at": pl.Series(np.arange(len(sessions)))})
    return (
        visits.lazy()
        .filter(pl.col("surgery_elsewhere_since") == "yes")
        .select("session_key", pl.col("visited_on").cast(pl.Int32).cast(pl.Int64).alias("day"))
        .join(position.lazy(), on="session_key")
        .select("at", "day")
        .sort("at", "day")
        .collect()
    )


def _next_contact_with_yes(reports: pl.DataFrame, at: Ints, day: Ints) -> Ints:
    """Day of the first report about that session on or after that day; NEVER where there is none."""
    span = 2 * NEVER
    report = reports["at"].to_numpy() * span + reports["day"].to_numpy()
    where = np.searchsorted(report, at * span + day)
    found = where < len(report)
    candidate = report[np.minimum(where, max(len(report) - 1, 0))] if len(report) else np.zeros_like(day)
    return np.where(found & (candidate // span == at), candidate % span, NEVER)


def _sizes(rng: Generator, grafts: Ints) -> list[Ints]:
    """Grafts of one, two, three, four or more hairs, summing to the total."""
    shares = rng.dirichlet((22.0, 46.0, 26.0, 6.0), len(grafts))
    one = rng.binomial(grafts, shares[:, 0])
    two = rng.binomial(grafts - one, shares[:, 1] / (1.0 - shares[:, 0]))
    rest = grafts - one - two
    three = rng.binomial(rest, shares[:, 2] / (shares[:, 2] + shares[:, 3]))
    return [one, two, three, rest - three]


def _colleague(rng: Generator, sessions: Sessions, share: float) -> pl.Series:
    """Another surgeon's code for a share of the sessions, else empty."""
    other = rng.integers(0, len(SURGEONS), len(sessions))
    return labels(SURGEONS, other, (rng.random(len(sessions)) >= share) | (other == sessions.surgeon))
