"""The rows of the model, by hand: who is in them, their days, and what an unknown answer becomes."""

from __future__ import annotations

from pathlib import Path

from pipelines.next_session_model.spells import ModelSpells, model_spells
from tests.small_registry import key, on, small_registry

PATIENTS = [
    {
        "patient_key": "known",
        "sex": "female",
        "age_at_first_surgery_years": 40,
        "pattern_scale": "norwood_hamilton",
        "pattern_stage": "IIa",
        "family_history": "both",
        "medical_therapy": ["dutasteride"],
        "hair_calibre_um": 70.0,
        "hair_curl": "wavy",
    },
    {
        "patient_key": "unknown",
        "sex": "unknown",
        "pattern_scale": "norwood_hamilton",
        "family_history": "unknown",
        "medical_therapy": ["unknown"],
    },
    {"patient_key": "empty", "died_on": on(900), "status_at_last_contact": "died"},
    {"patient_key": "none", "pattern_scale": "none", "medical_therapy": ["none"], "enrolled_on": on(100)},
    {"patient_key": "elsewhere", "sessions_elsewhere": 1},
    {"patient_key": "shifted", "dates_shifted": True},
]
SESSIONS = [
    {"session_key": "a", "patient_key": "known", "further_sessions_planned": 2},
    {"session_key": "b", "patient_key": "known", "session_number": 2, "performed_on": on(400)},
    {"session_key": "c", "patient_key": "unknown", "further_sessions_planned": 0},
    {"session_key": "d", "patient_key": "empty"},
    {"session_key": "e", "patient_key": "none"},
    {"session_key": "f", "patient_key": "elsewhere"},
    {"session_key": "g", "patient_key": "shifted"},
]
LAST = 3652  # days from START to the day to which site A declares its records complete


def spells(folder: Path, *, every_session: bool = False, most: int = 1000) -> ModelSpells:
    with small_registry(folder, patient=PATIENTS, session=SESSIONS) as registry:
        return model_spells(registry, every_session=every_session, most_patients=most)


def row(found: ModelSpells, patient: str, number: int = 1) -> dict[str, object]:
    rows = found.rows.rows(named=True)
    return next(each for each in rows if each["patient_key"] == key(patient) and each["number_here"] == number)


def test_covariates_at_the_first_session(empty_registry: Path) -> None:
    found = row(spells(empty_registry), "known")
    assert found["sex"] == "female"
    assert found["pattern_stage"] == "norwood_hamilton II"
    assert (found["medical_therapy"], found["further_sessions_planned"]) == ("any", "yes")
    assert (found["entry_day"], found["exit_day"], found["had_event"]) == (0, 400, True)


def test_unknown_and_empty_are_never_no(empty_registry: Path) -> None:
    found = spells(empty_registry)
    unknown, empty = row(found, "unknown"), row(found, "empty")
    for name in ("sex", "pattern_stage", "family_history"):
        assert unknown[name] is None
        assert empty[name] is None
    assert unknown["medical_therapy"] == empty["medical_therapy"] == "unknown"
    assert unknown["further_sessions_planned"] == "no"
    assert empty["further_sessions_planned"] is None


def test_days_and_death(empty_registry: Path) -> None:
    found = spells(empty_registry)
    empty, none = row(found, "empty"), row(found, "none")
    assert (empty["exit_day"], empty["had_event"], empty["had_died"]) == (900, False, True)
    assert (none["entry_day"], none["exit_day"], none["had_died"]) == (100, LAST, None)
    assert none["pattern_stage"] == "none"


def test_who_is_not_counted(empty_registry: Path) -> None:
    found = spells(empty_registry)
    assert found.not_counted == {"not_first_here": 1, "dates_shifted": 1}
    assert (found.patients, len(found.rows)) == (4, 4)


def test_every_session_has_its_own_clock(empty_registry: Path) -> None:
    found = row(spells(empty_registry, every_session=True), "known", 2)
    assert (found["start_day"], found["exit_day"], found["had_event"]) == (400, LAST - 400, False)
    assert found["further_sessions_planned"] is None


def test_a_sample_is_of_patients_and_the_same_each_time(empty_registry: Path) -> None:
    found = spells(empty_registry, every_session=True, most=2)
    assert found.rows["patient_key"].n_unique() == 2
    assert found.patients == 4
    with small_registry(empty_registry) as registry:
        again = model_spells(registry, every_session=True, most_patients=2)
    assert again.rows.equals(found.rows)
