"""The patient records. Fields drawn here describe; no outcome depends on them."""

from __future__ import annotations

import numpy as np
import polars as pl

from ._contacts import OTHER, PROMPTED, REASONS, SCHEDULED, Contacts, FollowUp
from ._draw import Bools, Ints, checked_codes, code_column, day_column, keys, labels, nullable, pick, stream
from ._patients import FEMALE, THERAPY_SETS, Patients
from ._sessions import Sessions
from .clinics import SITES

_SEX = checked_codes("patient", "sex", ("male", "female", "intersex", "unknown"))
_INDICATIONS = checked_codes(
    "patient",
    "indication",
    ("pattern_loss", "diffuse_loss", "scarring_alopecia", "traction", "burn_or_injury", "gender_affirming", "other"),
)
_INDICATION_MALE = (0.93, 0.015, 0.012, 0.003, 0.02, 0.005, 0.015)
_INDICATION_FEMALE = (0.62, 0.08, 0.07, 0.11, 0.05, 0.02, 0.05)
_SCALES = checked_codes("patient", "pattern_scale", ("norwood_hamilton", "ludwig", "none"))
_STAGES = checked_codes(
    "patient",
    "pattern_stage",
    ("I", "II", "IIa", "III", "IIIa", "III_vertex", "IV", "IVa", "V", "Va", "VI", "VII"),
)
_MALE_STAGE = (("I",), ("II", "IIa"), ("III", "IIIa", "III_vertex"), ("IV", "IVa"), ("V", "Va"), ("VI",), ("VII",))
_FEMALE_STAGE = ("I", "I", "I", "II", "II", "III", "III")
_PRECISION = checked_codes("patient", "first_surgery_precision", ("day", "month", "year"))
_CONTACT_REASONS = checked_codes("patient", "last_contact_reason", ("scheduled", "patient_asked", "session", "other"))
_STATUS = checked_codes(
    "patient", "status_at_last_contact", ("in_follow_up", "discharged", "not_reached", "left_care", "died")
)


def patient_frame(
    patients: Patients, sessions: Sessions, contacts: Contacts, follow_up: FollowUp, seed: int
) -> pl.DataFrame:
    """One row a patient, in the order of the patients."""
    rng = stream(seed, "patient records")
    count = len(patients)
    sex = np.where(rng.random(count) < 0.004, 3, patients.sex)
    indication = np.where(
        patients.sex == FEMALE, pick(rng, count, _INDICATION_FEMALE), pick(rng, count, _INDICATION_MALE)
    )
    scale, stage = _pattern(rng, patients, indication)
    no_scale = rng.random(count) < 0.05
    precision = np.where(patients.elsewhere_before > 0, pick(rng, count, (0.40, 0.35, 0.25)), 0)
    first_surgery = np.minimum(to_precision(patients.first_surgery, precision), patients.enrolled)
    first_surgery = np.where(patients.elsewhere_before > 0, first_surgery, patients.first_surgery)
    last_contact, reason = _last_contact(rng, patients, sessions, contacts)
    died = follow_up.death_known
    lost = follow_up.lost & (last_contact <= follow_up.until)
    status = np.where(died, 4, np.where(lost, 1 + pick(rng, count, (0.25, 0.55, 0.20)), 0))

    def codes(field: str, missing_share: float, **shares: float) -> pl.Series:
        return code_column(rng, count, "patient", field, shares, missing_share)

    def missing(share: float) -> Bools:
        return np.asarray(rng.random(count) < share)

    return pl.DataFrame(
        {
            "patient_key": keys(rng, count),
            "site_code": labels(SITES, patients.site),
            "indication": labels(_INDICATIONS, indication, missing(0.02)),
            "consent_scope": codes("consent_scope", 0.01, audit_and_research=0.72, audit_only=0.23, not_asked=0.05),
            "dates_shifted": nullable(patients.shifted, ~patients.shifted & missing(0.10), pl.Boolean),
            "sex": labels(_SEX, sex),
            "age_at_first_surgery_years": nullable(np.minimum(patients.age, 90), missing(0.01), pl.Int32),
            "first_surgery_on": day_column(first_surgery, missing(0.005)),
            "first_surgery_precision": labels(_PRECISION, precision, (patients.elsewhere_before == 0) & missing(0.03)),
            "sessions_elsewhere": nullable(patients.elsewhere_before, missing(0.02), pl.Int32),
            "enrolled_on": day_column(patients.enrolled),
            "pattern_scale": labels(_SCALES, scale, no_scale),
            "pattern_stage": labels(_STAGES, stage, no_scale | (scale == 2) | missing(0.03)),
            "family_history": codes(
                "family_history", 0.10, none=0.22, maternal=0.24, paternal=0.27, both=0.17, unknown=0.10
            ),
            "hair_calibre_um": nullable(np.round(np.clip(rng.normal(68.0, 9.0, count), 35.0, 110.0), 1), missing(0.30)),
            "hair_curl": codes("hair_curl", 0.08, straight=0.50, wavy=0.32, curly=0.12, coiled=0.06),
            "hair_colour": codes("hair_colour", 0.05, black=0.34, brown=0.40, blond=0.13, red=0.03, grey_white=0.10),
            "skin_hair_contrast": codes("skin_hair_contrast", 0.20, low=0.22, medium=0.48, high=0.30),
            "donor_density_fu_cm2": nullable(
                np.round(np.clip(rng.normal(78.0, 11.0, count), 40.0, 108.0)), missing(0.25)
            ),
            "smoking": codes("smoking", 0.06, never=0.55, former=0.21, current=0.20, unknown=0.04),
            "diabetes": labels(
                checked_codes("patient", "diabetes", ("no", "yes", "unknown")),
                np.where(missing(0.02), 2, missing(0.01) | (rng.random(count) < 0.0015 * (patients.age - 18))),
                missing(0.06),
            ),
            "medical_therapy": labels(
                [*THERAPY_SETS, ("unknown",)],
                np.where(missing(0.03), len(THERAPY_SETS), patients.therapy),
                missing(0.05),
                pl.List(pl.String),
            ),
            "last_contact_on": day_column(last_contact),
            "last_contact_reason": labels(_CONTACT_REASONS, reason),
            "died_on": day_column(patients.died, ~died),
            "status_at_last_contact": labels(_STATUS, status),
        }
    )


def to_precision(days: Ints, precision: Ints) -> Ints:
    """Days as they are (0), the 15th of their month (1), or the first of July of their year (2)."""
    exact = days.astype("datetime64[D]")
    month = exact.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + 14
    year = exact.astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64) + 181
    return np.where(precision == 1, month, np.where(precision == 2, year, days))


def _pattern(rng: np.random.Generator, patients: Patients, indication: Ints) -> tuple[Ints, Ints]:
    """Positions in _SCALES and _STAGES: Ludwig for women, Norwood-Hamilton for others, none without pattern loss."""
    patterned = indication == 0
    scale = np.where(~patterned, 2, np.where(patients.sex == FEMALE, 1, 0))
    male = np.array([[_STAGES.index(names[i % len(names)]) for i in range(6)] for names in _MALE_STAGE])
    female = np.array([_STAGES.index(name) for name in _FEMALE_STAGE])
    variant = rng.integers(0, 6, len(patients))
    step = patients.severity - 1
    return scale, np.where(scale == 1, female[step], male[step, variant])


def _last_contact(
    rng: np.random.Generator, patients: Patients, sessions: Sessions, contacts: Contacts
) -> tuple[Ints, Ints]:
    """Day and reason of the last of all contacts and sessions of each patient."""
    contact_session = contacts.session
    patient = np.concatenate([sessions.patient, sessions.patient[contact_session]])
    day = np.concatenate([sessions.day, sessions.day[contact_session] + contacts.day])
    reason = np.concatenate([np.full(len(sessions), PROMPTED), contacts.reason])
    order = np.lexsort((day, patient))
    last = np.append(np.nonzero(np.diff(patient[order]))[0], len(order) - 1)
    on, why = np.empty(len(patients), dtype=np.int64), np.empty(len(patients), dtype=np.int64)
    on[patient[order][last]] = day[order][last]
    why[patient[order][last]] = reason[order][last]
    asked = (why == OTHER) & (rng.random(len(patients)) < 0.7)
    by_reason = np.full(len(REASONS), 3)
    by_reason[[SCHEDULED, PROMPTED]] = (0, 2)
    return on, np.where(asked, 1, by_reason[why])
