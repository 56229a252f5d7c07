"""The latent histories: all that happens, before anyone observes it."""

from __future__ import annotations

from dataclasses import dataclass

from ._areas import Areas, draw_areas, draw_zone_sets
from ._course import Course, draw_course
from ._draw import Ints
from ._history import History, draw_history
from ._patients import Patients, draw_patients
from ._sessions import Sessions, draw_sessions
from .model import Model


@dataclass(frozen=True)
class Latent:
    """Patients, their sessions however long they take, and the course after each session within the records."""

    patients: Patients
    history: History
    sessions: Sessions
    course: Course
    zone_set: Ints
    areas: Areas


def draw_latent(patients: int, seed: int, model: Model) -> Latent:
    """The latent histories of that many patients."""
    people = draw_patients(patients, seed, model)
    history = draw_history(people, seed, model)
    sessions = draw_sessions(people, history, seed, model)
    course = draw_course(people, sessions, seed, model)
    zone_set = draw_zone_sets(people, sessions, seed)
    return Latent(people, history, sessions, course, zone_set, draw_areas(people, sessions, zone_set, seed, model))
