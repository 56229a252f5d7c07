"""The truth: every quantity that the records let one estimate, computed from the latent histories.

Nothing here looks at a record, and nothing here is shared with the code that estimates.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from registry.durations import months, years
from registry.settings import DEFAULT_AGE_EDGES, Settings

from ._course import SEVERE
from ._draw import NEVER, Bools, Floats, Ints
from ._latent import Latent, draw_latent
from ._sessions import TECHNIQUES
from .clinics import SITES, SURGEONS
from .model import MODEL, Model

REALISED, EXPECTED = "realised", "model"
AT_YEARS = (1, 2, 3, 5, 10)
NUMB_AT = (months(6), months(12))
_AGE_BANDS = Settings("", (), ()).age_bands


@dataclass(frozen=True)
class Quantity:
    """One true value.

    measure: what. Next sessions: `next_session_here`, `next_session_anywhere`, each also with `_death_competing`.
    kind: `realised`, of the very patients of a registry; `model`, what the model expects.
    estimate: a share from 0 to 1, or days.
    standard_error: Monte-Carlo error of a `model` value, None for `realised`.
    n, n_unit: of how many of what. group: strata. at: days after the session. window: days that count.
    """

    measure: str
    kind: str
    estimate: float
    n: int
    n_unit: str
    group: Mapping[str, str] = field(default_factory=dict)
    at: int | None = None
    window: str | None = None
    standard_error: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "measure": self.measure,
            "kind": self.kind,
            "group": dict(self.group),
            "at": self.at,
            "window": self.window,
            "estimate": self.estimate,
            "standard_error": self.standard_error,
            "n": self.n,
            "n_unit": self.n_unit,
        }


@dataclass(frozen=True)
class Truth:
    """True values, to be looked up by measure, time and group."""

    quantities: tuple[Quantity, ...]

    def find(self, measure: str, *, at: int | None = None, **group: str) -> Quantity:
        """The one value of that measure, time and group. Raises KeyError where there is none."""
        for quantity in self.quantities:
            if quantity.measure == measure and quantity.at == at and dict(quantity.group) == group:
                return quantity
        raise KeyError(f"no true value of {measure} at {at} in {group or 'all'}")


def realised_truth(latent: Latent) -> Truth:
    """The truth of these very patients, whatever of it was observed."""
    return Truth(tuple(_quantities(latent, REALISED)))


def model_truth(*, patients: int = 200_000, seed: int = 1, model: Model = MODEL) -> Truth:
    """What the model expects, from the latent histories of an independent population of that size.

    Each value carries its Monte-Carlo standard error, clustered by patient. Take more patients for less of it.
    """
    return Truth(tuple(_quantities(draw_latent(patients, seed, model), EXPECTED)))


def _quantities(latent: Latent, kind: str) -> Iterator[Quantity]:
    yield from _next_sessions(latent, kind)
    yield from _complications(latent, kind)
    yield from _numbness_durations(latent, kind)
    yield from _graft_survival(latent, kind)


def _strata(latent: Latent, session: Ints, names: tuple[str, ...]) -> Iterator[tuple[dict[str, str], Bools]]:
    """Everyone, then each value of each named stratum, as a mask over those sessions."""
    yield {}, np.ones(len(session), dtype=np.bool_)
    sessions = latent.sessions
    available: dict[str, tuple[tuple[str, ...], Ints]] = {
        "age_band": (
            _AGE_BANDS,
            np.digitize(latent.patients.age[sessions.patient[session]], DEFAULT_AGE_EDGES).astype(np.int64),
        ),
        "site_code": (SITES, sessions.site[session]),
        "surgeon_code": (SURGEONS, sessions.surgeon[session]),
        "technique": (TECHNIQUES, sessions.technique[session]),
        "session_number": (("1", "2", "3", "4"), np.minimum(sessions.number[session], 5) - 1),
    }
    for name in names:
        values, position = available[name]
        for i, value in enumerate(values):
            yield {name: value}, position == i


def _next_sessions(latent: Latent, kind: str) -> Iterator[Quantity]:
    """Share with a next session within a time of the first, of patients whose first surgery anywhere was here.

    Net: as if nobody died. With death competing: before death. By session number: from that session on.
    """
    sessions, patients = latent.sessions, latent.patients
    first_here = patients.elsewhere_before[sessions.patient] == 0
    for by_number in (False, True):
        session = np.nonzero(first_here & ((sessions.step == 0) | by_number))[0]
        patient, day = sessions.patient[session], sessions.day[session]
        here = sessions.next_here[session]
        anywhere = np.minimum(here, sessions.elsewhere[session])
        names = ("session_number",) if by_number else ("age_band", "site_code", "surgeon_code", "technique")
        for group, mask in _strata(latent, session, names):
            if by_number and not group:
                continue
            for name, following in (("here", here), ("anywhere", anywhere)):
                for ending, alive in (("", NEVER), ("_death_competing", patients.died[patient])):
                    for at in (years(count) for count in AT_YEARS):
                        event = (following - day <= at) & (following <= alive)
                        unit = "sessions" if by_number else "patients"
                        yield from _share(
                            f"next_session_{name}{ending}", kind, unit, group, event, mask, patient, at=at
                        )


def _complications(latent: Latent, kind: str) -> Iterator[Quantity]:
    """Shares of sessions with each complication in its window, and numb on a day, among sessions due by then."""
    sessions, course = latent.sessions, latent.course
    severe_day = np.where(course.swelling_grade == SEVERE, course.swelling.onset + 1, NEVER)
    windows: list[tuple[str, Ints, int, int]] = [
        ("severe_swelling", severe_day, 7, 14),
        ("bruised_eyes", course.bruised.onset, 7, 14),
        ("folliculitis", course.folliculitis.onset, 60, 120),
        ("infection", course.infection.onset, 60, 120),
    ]
    measures: list[tuple[str, Bools, int, int | None, str | None]] = [
        (name, onset <= last, closes, None, f"0-{last}") for name, onset, last, closes in windows
    ]
    for name, until in (
        ("numbness_donor", course.numb_donor),
        ("numbness_recipient", course.numb_recipient),
        ("numbness", course.numb_either),
    ):
        measures += [(name, until > at, closes, at, None) for at, closes in zip(NUMB_AT, (210, 450), strict=True)]
    for name, event, closes, numb_at, window in measures:
        session = np.nonzero(sessions.day + closes <= sessions.end)[0]
        for group, mask in _strata(latent, session, ("age_band", "site_code", "surgeon_code", "technique")):
            yield from _share(
                name, kind, "sessions", group, event[session], mask, sessions.patient[session], numb_at, window
            )


def _numbness_durations(latent: Latent, kind: str) -> Iterator[Quantity]:
    """Median days until sensation is normal, over all sessions: those never numb and those numb for good included."""
    session = np.arange(len(latent.sessions))
    for name, until in (
        ("numbness_donor_median_days", latent.course.numb_donor),
        ("numbness_recipient_median_days", latent.course.numb_recipient),
        ("numbness_median_days", latent.course.numb_either),
    ):
        for group, mask in _strata(latent, session, ("technique",)):
            days = np.sort(until[mask])
            count = len(days)
            if count == 0:
                continue
            half_width = np.sqrt(count) / 2.0
            low, high = (days[int(np.clip(count / 2.0 + side * half_width, 0, count - 1))] for side in (-1, 1))
            error = float(high - low) / 2.0 if kind == EXPECTED else None
            yield Quantity(name, kind, float(np.median(days)), count, "sessions", group, standard_error=error)


def _graft_survival(latent: Latent, kind: str) -> Iterator[Quantity]:
    """Grafts that truly grow among those placed in marked areas of the scalp, of sessions due by month 18."""
    sessions, areas = latent.sessions, latent.areas
    due = sessions.day[areas.session] + months(18) <= sessions.end[areas.session]
    area = np.nonzero(areas.on_scalp & due)[0]
    session = areas.session[area]
    for group, mask in _strata(latent, session, ("site_code", "surgeon_code", "technique")):
        yield from _ratio(
            "graft_survival",
            kind,
            "areas",
            group,
            areas.growing[area][mask].astype(np.float64),
            areas.placed[area][mask].astype(np.float64),
            sessions.patient[session][mask],
        )


def _share(
    measure: str,
    kind: str,
    unit: str,
    group: Mapping[str, str],
    event: Bools,
    mask: Bools,
    patient: Ints,
    at: int | None = None,
    window: str | None = None,
) -> Iterator[Quantity]:
    events = event[mask].astype(np.float64)
    yield from _ratio(measure, kind, unit, group, events, np.ones_like(events), patient[mask], at, window)


def _ratio(
    measure: str,
    kind: str,
    unit: str,
    group: Mapping[str, str],
    numerator: Floats,
    denominator: Floats,
    patient: Ints,
    at: int | None = None,
    window: str | None = None,
) -> Iterator[Quantity]:
    """Sum over sum, with its standard error clustered by patient; nothing where there is nobody."""
    total = float(denominator.sum())
    if total == 0.0:
        return
    estimate = float(numerator.sum()) / total
    error = None
    if kind == EXPECTED:
        residual = np.bincount(patient, weights=numerator - estimate * denominator)
        error = float(np.sqrt((residual**2).sum())) / total
    yield Quantity(measure, kind, estimate, len(numerator), unit, group, at, window, error)
