"""The figures of the sheet: of the narrowest group that is large enough, and the day of surgery by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines import next_session_causes
from pipelines.consultation import Profile, consultation_topics
from pipelines.consultation.sheet import ENOUGH, session_facts
from pipelines.groups import EVERYBODY, choose
from tests.small_registry import Row, on, small_registry


def records(men: int, women: int) -> dict[str, list[Row]]:
    """Men of 30 and women of 40, each with one session and a visit on day 7; every tenth has a next session."""
    people = [(f"m{number}", "male", 30) for number in range(men)] + [
        (f"w{number}", "female", 40) for number in range(women)
    ]
    return {
        "patient": [{"patient_key": name, "sex": sex, "age_at_first_surgery_years": age} for name, sex, age in people],
        "session": [
            *({"session_key": name, "patient_key": name} for name, _, _ in people),
            *(
                {"session_key": f"{name}b", "patient_key": name, "session_number": 2, "performed_on": on(300)}
                for place, (name, _, _) in enumerate(people)
                if place % 10 == 0
            ),
        ],
        "visit": [{"session_key": name, "visited_on": on(7), "swelling_since_last": "none"} for name, _, _ in people],
    }


def test_each_topic_takes_the_narrowest_group_that_is_large_enough(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records(ENOUGH, 20)) as registry:
        topics = {topic.name: topic for topic in consultation_topics(registry, Profile(30, "male", technique="strip"))}
        men = choose(registry.settings, {"sex": ["male"], "technique": ["strip"], "age_band": ["25-34"]})
        expected = next_session_causes(registry, at_days=[365], chosen=men)[0]
    told = topics["next_session"]
    assert told.enough
    assert set(told.match.where) == {"sex", "technique", "age_band"}
    assert told.match.given_up == ()
    assert told.figures[0] == expected
    # by hand: five of fifty men had a next session within a year
    assert expected.estimate == pytest.approx(5 / 50)
    assert not topics["yield"].enough
    assert topics["yield"].match.where == {}


def test_the_group_widens_to_everybody_and_says_when_that_is_few(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records(30, 30)) as registry:
        both = consultation_topics(registry, Profile(30, "female"))[0]
    assert (both.figures[0].n, both.enough) == (60, True)
    assert both.match.given_up == ("sex", "age_band")


def test_few_in_all(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records(5, 5)) as registry:
        topics = consultation_topics(registry, Profile(30))
    assert not any(topic.enough for topic in topics)
    assert all("too_few" in figure.flags or figure.at is None for figure in topics[0].figures)


def test_the_day_by_hand(empty_registry: Path) -> None:
    """*By hand*: lengths 4, 5, 6 and 9 hours: median 5.5, quartiles 4.75 and 6.75; one not recorded. Sutures out on
    days 8 and 10; a second report of the first is not counted; excisions have none."""
    sessions = [
        {"session_key": f"s{number}", "patient_key": f"p{number}", "duration_hours": hours, "technique": technique}
        for number, (hours, technique) in enumerate(
            [(4, "strip"), (5, "strip"), (6, "follicular_unit_excision"), (9, "combined"), (None, "strip")]
        )
    ]
    visits = [
        {"session_key": "s0", "visited_on": on(8), "sutures_out_on": on(8)},
        {"session_key": "s0", "visited_on": on(90), "sutures_out_on": on(8)},
        {"session_key": "s1", "visited_on": on(12), "sutures_out_on": on(10)},
        {"session_key": "s2", "visited_on": on(12), "sutures_out_on": on(12)},
    ]
    patients = [{"patient_key": f"p{number}"} for number in range(5)]
    with small_registry(empty_registry, patient=patients, session=sessions, visit=visits) as registry:
        length, sutures = session_facts(registry, EVERYBODY)
        early = session_facts(registry, EVERYBODY, on(9))[1]
    assert (length.estimate, length.lower, length.upper, length.n) == (5.5, 4.75, 6.75, 4)
    assert dict(length.not_counted) == {"item_empty": 1}
    assert (sutures.estimate, sutures.n, dict(sutures.not_counted)) == (9.0, 2, {"item_empty": 2})
    assert (early.estimate, early.n) == (8.0, 1)
    assert "too_few" in length.flags
