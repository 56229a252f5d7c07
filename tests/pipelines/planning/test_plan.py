"""A plan from a registry's own rates, clusters, loss and pace, by hand; and how it is told."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from pipelines.planning.sample_size import cases_two_shares, cases_without_event, events_for_hazard_ratio
from reports.command_line import app
from tests.small_registry import Row, on, small_registry

PATIENTS, SESSIONS_EACH = 60, 2
LAST_DAY = 3 * 365 + 120


def records() -> dict[str, Sequence[Row]]:
    """Sixty patients with two sessions a hundred days apart, three in four of which are asked about infection.

    In every tenth patient both sessions were followed by one. The records are complete to day 1215.
    """
    patients = [{"patient_key": f"p{number}"} for number in range(PATIENTS)]
    sessions, visits = [], []
    for number in range(PATIENTS):
        for place in range(SESSIONS_EACH):
            start = 10 * number + 100 * place
            sessions.append(
                {
                    "session_key": f"s{number}-{place}",
                    "patient_key": f"p{number}",
                    "session_number": place + 1,
                    "performed_on": on(start),
                }
            )
            if number % 4:
                had = "deep" if number % 10 == 1 else "none"
                visits.append(
                    {
                        "session_key": f"s{number}-{place}",
                        "visited_on": on(start + 70),
                        "infection_since_last": had,
                    }
                )
    return {
        "patient": patients,
        "session": sessions,
        "visit": visits,
        "site_period": [{"records_complete_to": on(LAST_DAY)}],
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from registry.store import start_registry

    folder = tmp_path_factory.mktemp("planned")
    start_registry(folder, ["A"], ["S1"], "Test practice")
    with small_registry(folder, **records()):
        pass
    return folder


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["cases-needed", *arguments, "--registry", str(folder)])


def plan(folder: Path, *arguments: str) -> dict[str, Any]:
    result = run(folder, *arguments, "--format", "json")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)["plan"]
    return found


def test_rates_clusters_loss_and_pace_by_hand(folder: Path) -> None:
    """*By hand*: 90 of 120 sessions asked, 12 infections in 6 patients. Alike sessions, two a patient: design effect
    45/44 x 2 x 89/90, times what linearising gives. 1095 days before day 1095, the last on which a session is old
    enough, begin with the first session: all 90 in three years."""
    found = plan(folder, "infection", "--difference", "0.2")
    assert found["base"]["n"] == 90
    assert found["first"] == pytest.approx(12 / 90)
    assert found["share_counted"] == pytest.approx(0.75)
    assert found["design_effect"] == pytest.approx(2 * (45 / 44) * (89 / 90))
    plain, _ = cases_two_shares(12 / 90, 12 / 90 + 0.2)
    assert found["counted"][0] == pytest.approx(plain * found["design_effect"], abs=1)
    assert found["entered"][0] == pytest.approx(found["counted"][0] / 0.75, abs=1)
    assert found["counted_a_year"] == pytest.approx(90 / 1095 * 365.25, rel=1e-3)
    assert found["years"] == pytest.approx(sum(found["counted"]) / found["counted_a_year"] + 120 / 365.25, rel=1e-3)
    assert 0.72 < found["simulated_power"] < 0.88


def test_a_next_session_and_a_limit(folder: Path) -> None:
    """*By hand*: by day 50 nobody had a next session, so nothing can be planned."""
    refused = run(folder, "next_session", "--hazard-ratio", "1.5", "--at", "50d")
    assert refused.exit_code == 1
    assert "nothing to plan with" in refused.output
    found = plan(folder, "infection", "--rule-out", "0.05")
    assert found["counted"] == pytest.approx(cases_without_event(0.05) * 2 * (45 / 44) * (89 / 90), abs=1)
    assert found["chance"] == pytest.approx((1 - 12 / 90) ** cases_without_event(0.05), rel=0.2)


def test_events_become_patients(empty_registry: Path) -> None:
    """*By hand*: ten of forty had a next session by day 400: 0.25 and 1 - 0.75^2 by patient, events by Schoenfeld."""
    patients = [{"patient_key": f"p{number}"} for number in range(40)]
    sessions: list[Row] = [{"session_key": f"s{number}", "patient_key": f"p{number}"} for number in range(40)]
    sessions += [
        {
            "session_key": f"t{number}",
            "patient_key": f"p{number}",
            "session_number": 2,
            "performed_on": on(300 + number),
        }
        for number in range(10)
    ]
    with small_registry(empty_registry, patient=patients, session=sessions):
        pass
    found = plan(empty_registry, "next_session", "--hazard-ratio", "2", "--at", "400d")
    events = events_for_hazard_ratio(2.0)
    assert found["events"] == events
    assert (found["first"], found["second"]) == (pytest.approx(0.25), pytest.approx(1 - 0.75**2))
    assert sum(found["counted"]) == pytest.approx(events / ((0.25 + 0.4375) / 2), abs=2)
    assert found["counted_a_year"] is None


def test_the_terminal(folder: Path) -> None:
    result = run(folder, "infection", "--difference", "0.02")
    assert result.exit_code == 0, result.output
    enough = run(folder, "infection", "--difference", "0.6").output
    assert "The 90 counted so far are enough" in enough
    words = " ".join(result.output.split())
    assert "Infection: can 13.3% against 15.3% be told apart?" in words
    assert "An answer is there for 75.0% of those who could have one" in words
    assert "longer than anybody should wait" in words
    assert "A plan, not a result" in words
    assert max(len(line) for line in result.output.splitlines()) <= 80


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["infection"], "Ask one question"),
        (["infection", "--difference", "0.1", "--rule-out", "0.1"], "Ask one question"),
        (["infection", "--hazard-ratio", "2"], "next_session goes with --hazard-ratio"),
        (["next_session", "--difference", "0.1"], "next_session goes with --hazard-ratio"),
        (["next_session", "--hazard-ratio", "1"], "must be above 0 and not 1"),
        (["infektion", "--difference", "0.1"], "cannot be planned"),
        (["infection", "--difference", "0.9"], "from 0 to 1"),
        (["infection", "--difference", "0"], "not be 0"),
        (["infection", "--rule-out", "1.5"], "above 0 and below 1"),
        (["graft_survival", "--rule-out", "0.1"], "goes with a complication"),
        (["graft_survival", "--difference", "0.1"], "too few"),
        (["numbness", "--difference", "0.1", "--at", "5m"], "Give one of these with --at"),
        (["infection", "--difference", "0.1", "--power", "1"], "--power"),
        (["infection", "--difference", "0.1", "--where", "technique=combined"], "too few"),
    ],
)
def test_refusals(folder: Path, arguments: list[str], message: str) -> None:
    result = run(folder, *arguments)
    assert result.exit_code == 1
    assert message in " ".join(result.output.split())
    assert "Traceback" not in result.output
