"""Who is like the patient, and in what order the group widens."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.consultation import Profile, profile_of
from pipelines.consultation.matching import matches
from registry.errors import GraftledgerError
from registry.settings import parse_settings
from tests.small_registry import key, small_registry

SETTINGS = parse_settings({"practice": "P", "sites": ["A"], "surgeons": ["S1"]}, "settings.toml")
BANDS = SETTINGS.age_bands


def test_what_is_given_up_one_after_the_other() -> None:
    steps = matches(SETTINGS, Profile(42, "male", "norwood_hamilton III", "strip", 2200))
    assert [sorted(step.where) for step in steps] == [
        ["age_band", "pattern_stage", "session_size", "sex", "technique"],
        ["age_band", "pattern_stage", "sex", "technique"],
        ["age_band", "sex", "technique"],
        ["age_band", "sex"],
        ["age_band"],
        ["age_band"],
        [],
    ]
    assert steps[4].where["age_band"] == ("35-44",)
    assert steps[5].where["age_band"] == ("25-34", "35-44", "45-54")
    assert steps[2].given_up == ("session_size", "pattern_stage")
    assert steps[-1].given_up == ("session_size", "pattern_stage", "technique", "sex", "age_band")


@pytest.mark.parametrize(("age", "own", "near"), [(16, BANDS[:1], BANDS[:2]), (90, BANDS[-1:], BANDS[-2:])])
def test_the_outer_bands_have_one_neighbour(age: int, own: tuple[str, ...], near: tuple[str, ...]) -> None:
    steps = matches(SETTINGS, Profile(age))
    assert [step.where.get("age_band") for step in steps] == [own, near, None]


@pytest.mark.parametrize(
    ("profile", "message"),
    [
        (Profile(12), "16 to 110 years"),
        (Profile(130), "16 to 110 years"),
        (Profile(40, grafts=0), "1 or more"),
        (Profile(40, sex="man"), "sex has no value"),
        (Profile(40, technique="stripp"), "Did you mean strip"),
        (Profile(40, stage="norwood_hamilton XI"), "pattern_stage has no value"),
    ],
)
def test_what_cannot_be(profile: Profile, message: str) -> None:
    with pytest.raises(GraftledgerError, match=message):
        matches(SETTINGS, profile)


def test_a_profile_from_the_record(empty_registry: Path) -> None:
    patient = {
        "patient_key": "p1",
        "age_at_first_surgery_years": 31,
        "sex": "male",
        "pattern_scale": "norwood_hamilton",
        "pattern_stage": "IV",
    }
    sessions = [
        {"session_key": "one", "patient_key": "p1", "technique": "strip"},
        {"session_key": "two", "patient_key": "p1", "session_number": 2, "technique": "combined"},
    ]
    with small_registry(empty_registry, patient=[patient, {"patient_key": "p2"}], session=sessions) as registry:
        assert profile_of(registry, key("p1")) == Profile(31, "male", "norwood_hamilton IV", "combined")
        assert profile_of(registry, key("p2"), 50) == Profile(50)
        with pytest.raises(GraftledgerError, match="not recorded"):
            profile_of(registry, key("p2"))
        with pytest.raises(GraftledgerError, match="no patient of this key"):
            profile_of(registry, key("p3"))
