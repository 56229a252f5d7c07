"""Complication records, graft counts and what the sites declare."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.random import Generator

from ._areas import AREA_CHOICES, ZONES, Areas
from ._contacts import Contacts
from ._course import SEVERE, Course
from ._draw import (
    NEVER,
    Bools,
    Ints,
    checked_codes,
    code_column,
    day_column,
    keys,
    labels,
    nullable,
    pick,
    stream,
)
from ._sessions import Sessions
from .clinics import SITE_LIST, SURGEONS
from .model import Model

_RARE = {
    "effluvium_recipient": (0.015, 10, 60),
    "effluvium_donor": (0.006, 10, 60),
    "bleeding": (0.004, 0, 4),
    "syncope": (0.005, 0, 1),
    "anaesthetic_reaction": (0.001, 0, 1),
    "cyst": (0.004, 20, 120),
    "neuralgia": (0.002, 5, 60),
    "necrosis": (0.0006, 2, 12),
    "haematoma": (0.001, 0, 5),
    "hypertrophic_scar": (0.003, 60, 200),
}
"""Complications that nothing else depends on: share of sessions, first and last day of onset."""
_MEASURED = ("swelling", "periorbital_bruising", "folliculitis", "infection")
_KINDS = checked_codes("complication", "kind", (*_MEASURED, *_RARE))
_TREATMENTS = checked_codes(
    "complication",
    "treatment",
    ("none", "compress", "topical", "oral_antibiotic", "drainage", "steroid", "procedure"),
)
_USUAL_TREATMENT = {
    "swelling": "compress",
    "periorbital_bruising": "compress",
    "folliculitis": "topical",
    "infection": "oral_antibiotic",
    "bleeding": "compress",
    "cyst": "drainage",
    "haematoma": "drainage",
    "necrosis": "procedure",
    "hypertrophic_scar": "steroid",
}
"""Treatment by kind; none for the others."""
_HAIRS_PER_GRAFT = 2.2


def complication_frame(
    sessions: Sessions, session_keys: pl.Series, course: Course, contacts: Contacts, seed: int, model: Model
) -> pl.DataFrame:
    """Complications with a record, by day of onset: only where a contact followed it."""
    rng = stream(seed, "complications")
    count = len(sessions)
    last_contact = np.full(count, -1, dtype=np.int64)
    np.maximum.at(last_contact, contacts.session, contacts.day)
    severe = course.swelling_grade == SEVERE
    late = course.folliculitis.onset > 60
    measured: list[tuple[Bools, Ints, Ints, Bools | float]] = [
        (severe, course.swelling.onset, course.swelling.end, model.severe_swelling_recorded_share),
        (course.bruised.happened, course.bruised.onset, course.bruised.end, model.bruised_eyes.recorded_share),
        (
            course.folliculitis.happened,
            course.folliculitis.onset,
            course.folliculitis.end,
            np.where(late, 1.0, model.folliculitis.recorded_share),
        ),
        (course.infection.happened, course.infection.onset, course.infection.end, model.infection.recorded_share),
    ]
    parts = [
        np.nonzero(happened & (rng.random(count) < share) & (onset <= last_contact))[0]
        for happened, onset, _, share in measured
    ]
    onsets = [onset[rows] for rows, (_, onset, _, _) in zip(parts, measured, strict=True)]
    ends = [end[rows] for rows, (_, _, end, _) in zip(parts, measured, strict=True)]
    for share, first, last in _RARE.values():
        onset = rng.integers(first, last + 1, count)
        rows = np.nonzero((rng.random(count) < share) & (onset <= last_contact))[0]
        parts.append(rows)
        onsets.append(onset[rows])
        ends.append(onset[rows] + rng.integers(2, 90, len(rows)))
    session, onset, end = np.concatenate(parts), np.concatenate(onsets), np.concatenate(ends)
    kind = np.repeat(np.arange(len(parts)), [len(rows) for rows in parts])
    order = np.lexsort((kind, session, sessions.day[session] + onset))
    return _complication_columns(
        rng, session_keys, course, last_contact, *(a[order] for a in (session, onset, end, kind))
    )


def _complication_columns(
    rng: Generator,
    session_keys: pl.Series,
    course: Course,
    last_contact: Ints,
    session: Ints,
    onset: Ints,
    end: Ints,
    kind: Ints,
) -> pl.DataFrame:
    count = len(session)
    usual = np.array([_TREATMENTS.index(_USUAL_TREATMENT.get(name, "none")) for name in _KINDS])[kind]
    deep = (kind == _MEASURED.index("infection")) & course.infection_deep[session]
    treatment = np.where(deep, _TREATMENTS.index("procedure"), usual)
    outpatient, lasting = _TREATMENTS.index("topical"), _TREATMENTS.index("procedure")
    severity = np.where(treatment >= lasting, 2, np.where(treatment >= outpatient, 1, 0))
    present = np.minimum(end - 1, np.maximum(last_contact[session], onset))
    gone = end <= last_contact[session]
    return pl.DataFrame(
        {
            "complication_key": keys(rng, count),
            "session_key": session_keys.gather(pl.Series(session)),
            "kind": labels(_KINDS, kind),
            "severity": labels(checked_codes("complication", "severity", ("mild", "moderate", "severe")), severity),
            "clavien_dindo": labels(
                checked_codes("complication", "clavien_dindo", ("I", "II", "IIIa")), severity, rng.random(count) < 0.3
            ),
            "onset_day": pl.Series(onset, dtype=pl.Int32),
            "last_present_day": nullable(present, rng.random(count) < 0.15, pl.Int32),
            "first_absent_day": nullable(end, ~gone | (rng.random(count) < 0.15), pl.Int32),
            "treatment": labels(_TREATMENTS, treatment, rng.random(count) < 0.05),
        }
    )


def graft_count_frame(
    sessions: Sessions, session_keys: pl.Series, areas: Areas, count_days: Ints, seed: int, model: Model
) -> pl.DataFrame:
    """Readings of the marked areas on the days on which they were counted, some of them twice."""
    rng = stream(seed, "graft counts")
    days = count_days[areas.session]
    area, visit = np.nonzero(days < NEVER)
    twice = rng.random(len(area)) < 0.20
    area, day = np.repeat(area, 1 + twice), np.repeat(days[area, visit], 1 + twice)
    count = len(area)
    repeat = np.ones(count, dtype=np.int64)
    repeat[1:] += (area[1:] == area[:-1]) & (day[1:] == day[:-1])
    session, placed = areas.session[area], areas.placed[area]

    reached = np.minimum(
        1.0, model.growth_share_at_day_0 + (1.0 - model.growth_share_at_day_0) * np.minimum(day, 300) / 300.0
    )
    visible = np.rint(areas.growing[area] * reached)
    error = rng.normal(0.0, 1.0, count) * model.count_error_sd * placed
    growing = np.maximum(np.rint(visible + error), 0).astype(np.int64)
    existing = np.where(rng.random(len(areas)) < 0.45, rng.poisson(6.0 * areas.area_cm2), 0)[area]
    hairs = np.rint(areas.placed * np.clip(rng.normal(_HAIRS_PER_GRAFT, 0.15, len(areas)), 1.7, 2.7)).astype(np.int64)[
        area
    ]
    growing_hairs = np.maximum(np.rint(hairs * visible / placed + existing + 2.0 * error), 0).astype(np.int64)
    no_grafts = rng.random(count) < 0.05
    hairs_missing, existing_missing = rng.random(len(areas)) < 0.15, rng.random(len(areas)) < 0.20
    marked_days = np.where(rng.random(len(areas)) < 0.7, 0, rng.integers(1, 15, len(areas)))[area]
    return pl.DataFrame(
        {
            "count_key": keys(rng, count),
            "session_key": session_keys.gather(pl.Series(session)),
            "area_label": labels(("A", "B"), areas.label[area]),
            "zone": labels(ZONES, areas.zone[area]),
            "area_marking": _per_area(rng, areas, area, "area_marking", tattoo=0.5, landmark_map=0.3, template=0.2),
            "counter_code": labels(SURGEONS, _counter(rng, sessions, session, repeat), rng.random(count) < 0.10),
            "repeat_number": nullable(repeat, (repeat == 1) & (rng.random(count) < 0.30), pl.Int32),
            "area_marked_on": day_column(sessions.day[session] - marked_days),
            "area_choice": labels(AREA_CHOICES, areas.choice[area]),
            "area_cm2": areas.area_cm2[area],
            "placed_grafts": pl.Series(placed, dtype=pl.Int32),
            "placed_hairs": nullable(hairs, hairs_missing[area], pl.Int32),
            "existing_hairs_before": nullable(existing, existing_missing[area], pl.Int32),
            "counted_on": day_column(sessions.day[session] + day),
            "method": code_column(
                rng, count, "graft_count", "method", {"trichoscopy": 0.60, "macro_photograph": 0.28, "direct": 0.12}
            ),
            "growing_grafts": nullable(growing, no_grafts, pl.Int32),
            "growing_hairs": nullable(growing_hairs, ~no_grafts & (rng.random(count) < 0.20), pl.Int32),
        }
    )


def _per_area(rng: Generator, areas: Areas, area: Ints, field: str, **shares: float) -> pl.Series:
    """A code that stays the same over all readings of an area."""
    return code_column(rng, len(areas), "graft_count", field, shares).gather(pl.Series(area))


def _counter(rng: Generator, sessions: Sessions, session: Ints, repeat: Ints) -> Ints:
    """The session's surgeon counts, or a colleague; a second reading is mostly a colleague's."""
    colleague = pick(rng, len(session), [1.0] * len(SURGEONS))
    return np.where(rng.random(len(session)) < np.where(repeat > 1, 0.7, 0.25), colleague, sessions.surgeon[session])


def site_period_frame(sessions: Sessions, seed: int) -> pl.DataFrame:
    """One row a site and quarter since it opened. Now and then the theatre list holds one session more."""
    rng = stream(seed, "site periods")
    month = sessions.day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    rows = []
    for position, site in enumerate(SITE_LIST):
        first, last = _quarter(site.opened_on), _quarter(site.complete_to)
        quarter = np.maximum(month[sessions.site == position] // 3 - first, 0)  # shifted dates may precede the opening
        held = np.bincount(quarter, minlength=last - first + 1)
        more = rng.random(len(held)) < 0.06
        rows += [
            (
                site.code,
                _quarter_name(first + number),
                int(held[number] + more[number]),
                min(_quarter_end(first + number), site.complete_to),
            )
            for number in range(last - first + 1)
        ]
    return pl.DataFrame(
        rows,
        schema={
            "site_code": pl.String,
            "quarter": pl.String,
            "sessions_declared": pl.Int32,
            "records_complete_to": pl.Date,
        },
        orient="row",
    )


def _quarter(day: date) -> int:
    """Quarters since the start of 1970."""
    return (day.year - 1970) * 4 + (day.month - 1) // 3


def _quarter_name(quarter: int) -> str:
    return f"{1970 + quarter // 4}-Q{quarter % 4 + 1}"


def _quarter_end(quarter: int) -> date:
    following = quarter + 1
    return date(1970 + following // 4, following % 4 * 3 + 1, 1) - timedelta(days=1)
