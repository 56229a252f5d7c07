"""Settings are read whole, and every fault names its key."""

from __future__ import annotations

from typing import Any

import pytest

from registry.errors import GraftledgerError
from registry.settings import Target, parse_settings, settings_text

SOUND: dict[str, Any] = {"practice": "P", "sites": ["A"], "surgeons": ["S1"]}


def test_defaults() -> None:
    settings = parse_settings(SOUND, "settings.toml")
    assert settings.age_bands == ("under 25", "25-34", "35-44", "45-54", "55+")
    assert (settings.floor_at_risk, settings.floor_denominator) == (10, 10)


@pytest.mark.parametrize(
    ("change", "key", "words"),
    [
        ({"practise": "P"}, "practise", "Did you mean practice"),
        ({"practice": " "}, "practice", "name"),
        ({"sites": []}, "sites", "at least one"),
        ({"sites": "A"}, "sites", "at least one"),
        ({"sites": ["A", "A"]}, "sites", "twice"),
        ({"sites": [1]}, "sites", "letter"),
        ({"surgeons": ["elsewhere"]}, "surgeons", "kept for"),
        ({"floors": 3}, "floors", "table"),
        ({"floors": {"at_risk": 1}}, "floors.at_risk", "2 to 1000"),
        ({"floors": {"at_risk": True}}, "floors.at_risk", "whole number"),
        ({"floors": {"denominators": 5}}, "floors.denominators", "Did you mean denominator"),
        ({"bands": {"age_at_first_surgery_years": [35, 25]}}, "bands.age_at_first_surgery_years", "ascending"),
        ({"bands": {"age_at_first_surgery_years": []}}, "bands.age_at_first_surgery_years", "1 to 12"),
        ({"graft_counts": {"mature": "1m-18m"}}, "graft_counts.mature", "rest until month 2"),
        ({"graft_counts": {"mature": "18m-10m"}}, "graft_counts.mature", "ends before it begins"),
        ({"graft_counts": {"mature": 12}}, "graft_counts.mature", "FROM-TO"),
        ({"graft_counts": {"ripe": "10m-18m"}}, "graft_counts.ripe", "unknown key"),
        ({"benchmarks": {"nothing_known": {"share": 0.1, "source": "x"}}}, "benchmarks.nothing_known", "unknown"),
        ({"benchmarks": {"graft_survival": {"share": 90, "source": "x"}}}, "benchmarks.graft_survival.share", "0 to 1"),
        ({"benchmarks": {"graft_survival": {"share": 0.9}}}, "benchmarks.graft_survival.source", "comes from"),
    ],
)
def test_each_fault_names_its_key(change: dict[str, Any], key: str, words: str) -> None:
    with pytest.raises(GraftledgerError) as refusal:
        parse_settings(SOUND | change, "settings.toml", known_measures=["graft_survival"])
    assert [fault.field for fault in refusal.value.faults] == [key]
    assert words in str(refusal.value)
    assert "settings.toml" in str(refusal.value)


def test_all_faults_at_once() -> None:
    with pytest.raises(GraftledgerError) as refusal:
        parse_settings({"sites": []}, "settings.toml")
    assert {fault.field for fault in refusal.value.faults} == {"practice", "sites", "surgeons"}


def test_the_template_is_sound() -> None:
    import tomllib

    settings = parse_settings(tomllib.loads(settings_text("P", ["A", "B"], ["S1"])), "settings.toml")
    assert settings.sites == ("A", "B")
    assert settings.mature_window == (304, 547)


def test_targets_have_a_side_a_source_and_perhaps_a_time() -> None:
    """*By hand*: 6 months are 182 days."""
    settings = parse_settings(
        {
            **SOUND,
            "targets": {
                "infection": {"at_most": 0.02, "source": "meeting"},
                "numbness": {"at_most": 0.2, "source": "meeting", "at": "6m"},
                "graft_survival": {"at_least": 0.9, "source": "meeting"},
            },
            "audit": {"leave_out": ["numbness"]},
        },
        "settings.toml",
    )
    assert settings.targets == {
        "infection": Target(0.02, True, "meeting"),
        "numbness": Target(0.2, True, "meeting", 182),
        "graft_survival": Target(0.9, False, "meeting"),
    }
    assert settings.audit_leaves_out == ("numbness",)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"targets": {"infection": {"source": "x"}}}, "at_most or at_least"),
        ({"targets": {"infection": {"at_most": 0.1, "at_least": 0.1, "source": "x"}}}, "one of the two"),
        ({"targets": {"infection": {"at_most": 2, "source": "x"}}}, "from 0 to 1"),
        ({"targets": {"infection": {"at_most": 0.1}}}, "where the target comes from"),
        ({"targets": {"infection": {"at_most": 0.1, "source": "x", "at": "soon"}}}, "is not a time"),
        ({"targets": {"infektion": {"at_most": 0.1, "source": "x"}}}, "unknown measure"),
        ({"targets": {"infection": 1}}, "must be a table"),
        ({"audit": {"leave_out": "numbness"}}, "must list names"),
        ({"audit": {"omit": []}}, "unknown key"),
    ],
)
def test_targets_and_sections_at_fault(content: dict[str, object], says: str) -> None:
    with pytest.raises(GraftledgerError, match=says):
        parse_settings({**SOUND, **content}, "settings.toml", known_measures=["infection"])
