"""Who comes: the latent facts of each patient, dates in days since 1970-01-01."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.random import Generator

from ._draw import Bools, Floats, Ints, pick, stream
from .clinics import SITE_LIST
from .model import Model

MALE, FEMALE, INTERSEX = 0, 1, 2
YEAR = 365.25

THERAPY_SETS: tuple[tuple[str, ...], ...] = (
    ("none",),
    ("finasteride_oral",),
    ("finasteride_oral", "minoxidil_topical"),
    ("minoxidil_topical",),
    ("finasteride_topical",),
    ("dutasteride",),
    ("minoxidil_oral",),
    ("platelet_rich_plasma",),
    ("finasteride_oral", "platelet_rich_plasma"),
    ("minoxidil_topical", "spironolactone"),
    ("light_therapy", "minoxidil_topical"),
    ("hormones",),
)
"""Sets of therapies that occur, each sorted."""
_THERAPY_MALE = (0.38, 0.22, 0.14, 0.10, 0.04, 0.04, 0.03, 0.02, 0.02, 0.0, 0.01, 0.0)
_THERAPY_FEMALE = (0.40, 0.0, 0.0, 0.28, 0.0, 0.0, 0.06, 0.05, 0.0, 0.14, 0.03, 0.04)
_PREVENTS = np.array([any(t.startswith("finasteride") or t == "dutasteride" for t in s) for s in THERAPY_SETS])


@dataclass(frozen=True)
class Patients:
    """One element a patient in every array.

    site: position in SITE_LIST. age: completed years at the first surgery anywhere. sex: MALE, FEMALE, INTERSEX.
    severity: 1 to 7. therapy: position in THERAPY_SETS. prevented: finasteride or dutasteride among them.
    effect: susceptibility in log odds. elsewhere_before: surgeries elsewhere before. first_surgery: first anywhere.
    started: first session here. end: last day of the records. enrolled: first consultation here. died: day of
    death, in or after the records. shifted: dates moved back by the site.
    """

    site: Ints
    age: Ints
    sex: Ints
    severity: Ints
    therapy: Ints
    prevented: Bools
    effect: Floats
    elsewhere_before: Ints
    first_surgery: Ints
    started: Ints
    end: Ints
    enrolled: Ints
    died: Ints
    shifted: Bools

    def __len__(self) -> int:
        return len(self.site)


def day_number(day: date) -> int:
    """Days since 1970-01-01."""
    return day.toordinal() - date(1970, 1, 1).toordinal()


def not_sunday(days: Ints) -> Ints:
    """The same days, Sundays moved to the Monday after: no site operates on Sundays."""
    return np.where((days + 3) % 7 == 6, days + 1, days)


def draw_patients(count: int, seed: int, model: Model) -> Patients:
    """Patients whose first session here lies within their site's records."""
    rng = stream(seed, "patients")
    site = pick(rng, count, [s.share for s in SITE_LIST])
    opened = np.array([day_number(s.opened_on) for s in SITE_LIST])[site]
    complete = np.array([day_number(s.complete_to) for s in SITE_LIST])[site]
    steep = 1.0 + model.growth
    passed = (np.sqrt(1.0 + rng.random(count) * (steep**2 - 1.0)) - 1.0) / model.growth
    started = not_sunday(opened + np.floor(passed * (complete - opened)).astype(np.int64))
    started = np.where(started > complete, started - 2, started)

    age_exact = model.age_low + model.age_span * rng.beta(*model.age_beta, size=count)
    age = np.floor(age_exact).astype(np.int64)
    sex = pick(rng, count, [1.0 - model.female_share - model.intersex_share, model.female_share, model.intersex_share])
    mean_severity = model.severity_at_35 + model.severity_per_year * (age_exact - 35.0)
    severity = np.clip(np.rint(rng.normal(mean_severity, model.severity_sd)), 2, 7).astype(np.int64)
    therapy = np.where(sex == MALE, pick(rng, count, _THERAPY_MALE), pick(rng, count, _THERAPY_FEMALE))

    before = np.where(
        rng.random(count) < model.elsewhere_before_share, 1 + pick(rng, count, model.elsewhere_before_counts), 0
    )
    years_before = np.where(before > 0, 0.8 + rng.gamma(1.6, 2.6, count) + 1.5 * (before - 1), 0.0)
    years_before = np.minimum(years_before, 35.0)
    first_surgery = started - np.floor(years_before * YEAR).astype(np.int64)
    died = started + np.ceil(_years_to_death(rng, age_exact + years_before, model) * YEAR).astype(np.int64)

    shifted = rng.random(count) < model.dates_shifted_share
    offset = np.where(shifted, rng.integers(1, 29, count), 0)
    enrolled = started - np.floor(rng.gamma(1.5, 22.0, count)).astype(np.int64)
    return Patients(
        site=site,
        age=age,
        sex=sex,
        severity=severity,
        therapy=therapy,
        prevented=_PREVENTS[therapy],
        effect=rng.normal(0.0, model.patient_effect_sd, count),
        elsewhere_before=before,
        first_surgery=first_surgery - offset,
        started=started - offset,
        end=complete - offset,
        enrolled=np.maximum(enrolled, first_surgery + np.where(before > 0, 60, -200)) - offset,
        died=died - offset,
        shifted=shifted,
    )


def _years_to_death(rng: Generator, age_now: Floats, model: Model) -> Floats:
    """Years from that age to death, by inverting the Gompertz cumulative hazard; at most 80."""
    slope = model.death_log_rate_per_year_of_age
    rate_now = model.death_per_year_at_35 * np.exp(slope * (age_now - 35.0))
    waited = rng.exponential(1.0, len(age_now))
    return np.minimum(np.log1p(waited * slope / rate_now) / slope, 80.0)
