"""The `figures` command: three forms of the same rows, cautions apart from results, refusals in plain words."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipelines import Figure, complications, time_to_next_session
from pipelines.next_session import next_session_differences, next_session_follow_up
from registry.store import open_registry
from reports.command_line import app
from reports.command_line._figure_table import share_cell, table_lines
from reports.command_line._figures import cautions
from tests.small_registry import on, small_registry


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    """Fifteen patients, one with a next session on day 500, two first operated on elsewhere."""
    names = [f"p{number}" for number in range(15)]
    with small_registry(
        empty_registry,
        patient=[
            {
                "patient_key": name,
                "age_at_first_surgery_years": 30,
                "sessions_elsewhere": 1 if name in ("p8", "p9") else 0,
            }
            for name in names
        ],
        session=[
            *({"session_key": name, "patient_key": name} for name in names),
            {"session_key": "again", "patient_key": "p0", "session_number": 2, "performed_on": on(500)},
        ],
        visit=[{"session_key": name, "visited_on": on(7), "swelling_since_last": "none"} for name in names],
    ):
        pass
    return empty_registry


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["figures", *arguments, "--registry", str(folder)])


def test_json_holds_what_the_analysis_gives(folder: Path) -> None:
    result = run(folder, "time-to-next-session", "--by", "age_band", "--at", "2y,1y", "--format", "json")
    assert result.exit_code == 0
    content = json.loads(result.stdout)
    with open_registry(folder) as registry:
        expected = (
            *time_to_next_session(registry, at_days=[365, 730]),
            *next_session_follow_up(registry, by=("age_band",)),
            *next_session_differences(registry, by=("age_band",)),
        )
        assert content["meta"]["snapshot"] == registry.snapshot
    assert content["figures"] == [json.loads(json.dumps(figure.as_dict())) for figure in expected]
    assert content["meta"]["analysis"] == "time-to-next-session"
    assert (content["meta"]["at_days"], content["meta"]["estimand"]) == ([365, 730], "here")
    assert "NaN" not in result.stdout


def test_csv_holds_the_same_rows(folder: Path) -> None:
    result = run(folder, "complications", "--by", "surgeon_code", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    with open_registry(folder) as registry:
        expected = complications(registry, by=("surgeon_code",))
    assert [(row["measure"], row["group_surgeon_code"], int(row["n"])) for row in rows] == [
        (figure.measure, figure.group["surgeon_code"], figure.n) for figure in expected
    ]


@pytest.mark.parametrize("analysis", ["time-to-next-session", "complications", "graft-survival"])
@pytest.mark.parametrize("by", ["", "age_band", "site_code,session_reason", "pattern_stage"])
def test_a_table_fits_80_columns(folder: Path, analysis: str, by: str) -> None:
    result = run(folder, analysis, "--by", by)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines()) <= 80


@pytest.mark.parametrize(
    "options",
    [
        ["--sensitivity"],
        ["--summaries"],
        ["--competing", "death"],
        ["--competing", "reason"],
        ["--estimand", "anywhere"],
        ["--estimand", "from-first"],
        ["--session-number", "2"],
        ["--session-number", "2+"],
    ],
)
@pytest.mark.parametrize("by", ["", "sex"])
def test_every_form_of_the_time_to_the_next_session_fits_too(folder: Path, options: list[str], by: str) -> None:
    result = run(folder, "time-to-next-session", "--by", by, *options)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines()) <= 80
    assert "nan" not in result.output.lower().split()
    assert "_" not in result.stdout.split("Data complete to")[0].replace("next_session", "next session")


def test_sessions_are_chosen(folder: Path) -> None:
    """*By hand*: fifteen first sessions on the first day, all by strip; one on a later day."""
    kept = run(folder, "complications", "--where", "technique=strip,combined", "--until", on(0).isoformat())
    none = run(folder, "complications", "--since", on(1).isoformat(), "--until", on(600).isoformat())
    swelling = next(line for line in kept.stdout.splitlines() if line.startswith("  all "))
    assert swelling.split()[-3:] == ["15", "0", "15"]
    assert "Not counted (sessions): no contact in time 1" in " ".join(none.stdout.split())
    asked = run(folder, "complications", "--where", "sex=male", "--since", on(1).isoformat(), "--format", "json")
    meta = json.loads(asked.stdout)["meta"]
    assert meta["chosen"] == {"where": {"sex": ["male"]}, "since": on(1).isoformat()}


def test_only_values_chosen_are_shown(folder: Path) -> None:
    result = run(folder, "complications", "--by", "technique", "--where", "technique=strip", "--format", "json")
    assert {figure["group"]["technique"] for figure in json.loads(result.stdout)["figures"]} == {"strip"}


def test_who_is_chosen_by_surgeon_is_warned_of(folder: Path) -> None:
    assert "not a verdict" in run(folder, "complications", "--where", "surgeon_code=S1").stderr


def test_further_sessions_are_numbers_not_shares(folder: Path) -> None:
    lines = run(folder, "further-sessions", "--at", "2y").stdout.splitlines()
    assert lines[0].strip().startswith("Number (95% interval)")
    within = next(line for line in lines if line.startswith("  within 2 years "))
    assert (within.split()[3], within.split()[-3:]) == ("0.08", ["13", "1", "13"])  # by hand: 1 / 13


def test_a_table_shows_the_rows_and_who_is_not_counted(folder: Path) -> None:
    lines = run(folder, "time-to-next-session", "--at", "1y,2y,20y").stdout.splitlines()
    assert "  within 1 year             0.0% (0.0 to 24.7)             13        0       13" in lines
    assert "  within 2 years            7.7% (1.1 to 43.4)             13        1       12" in lines
    assert "  within 20 years           beyond follow-up               13        1        0" in lines
    assert "  first operated on elsewhere 2" in lines
    assert "Median follow-up" in lines
    assert any(line.startswith("The share of patients first operated on here who") for line in lines)


def test_what_rests_on_too_few_stands_in_parentheses(folder: Path) -> None:
    settings = folder / "settings.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace("at_risk = 10", "at_risk = 14"), encoding="utf-8")
    output = run(folder, "time-to-next-session", "--at", "1y").stdout
    assert "(0.0%, 0.0 to 24.7)" in output
    assert "In parentheses: too few to rely on (fewer than 14 followed" in output


def test_what_should_not_be_relied_on_is_grey_on_a_terminal() -> None:
    figure = Figure(
        "infection", 3, "sessions", "wilson", estimate=0.0, lower=0.0, upper=0.6, events=0, flags=("too_few",)
    )
    meta = {"floors": {"at_risk": 10, "denominator": 10}, "data_date": None, "snapshot": "x"}
    assert any(line.startswith("\x1b[2m") for line in table_lines([figure], meta, styled=True))
    assert not any("\x1b" in line for line in table_lines([figure], meta, styled=False))


@pytest.mark.parametrize(
    ("expected", "figure"),
    [
        ("0.31% (0.20 to 0.48)", Figure("m", 9, "sessions", "w", estimate=0.0031, lower=0.002, upper=0.0048)),
        ("91.9%", Figure("m", 9, "areas", "w", estimate=0.919)),
        ("nobody counted", Figure("m", 0, "sessions", "w")),
        ("not shown", Figure("m", 5, "sessions", "w")),
        ("beyond follow-up", Figure("m", 5, "patients", "w", flags=("beyond_follow_up",))),
    ],
)
def test_cells(expected: str, figure: Figure) -> None:
    assert share_cell(figure) == expected


def test_those_first_operated_on_elsewhere_follow_as_their_own_group(folder: Path) -> None:
    result = run(folder, "time-to-next-session", "--at", "1y", "--include-first-elsewhere", "sensitivity")
    assert "Next session: all, first operated on elsewhere" in result.stdout


def test_cautions_stand_apart_from_results(folder: Path) -> None:
    result = run(folder, "complications", "--by", "surgeon_code", "--format", "json")
    json.loads(result.stdout)
    assert "not a verdict" in result.stderr
    assert "no medical advice" in result.stderr


def test_who_compares_people_or_places_is_warned() -> None:
    for field in ("surgeon_code", "harvest_by", "placed_by", "site_code"):
        assert any("case-mix" in line for line in cautions([field]))
    assert not any("case-mix" in line for line in cautions([]))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["time-to-next-session", "--by", "agebnd"], "Did you mean age_band?"),
        (["complication"], "Did you mean complications?"),
        (["complications", "--at", "1y"], "--at goes with time-to-next-session, further-sessions and duration only"),
        (["complications", "--summaries"], "--summaries goes with time-to-next-session only"),
        (["time-to-next-session", "--summaries", "--competing", "death"], "do not go together"),
        (["time-to-next-session", "--competing", "age"], "death or reason"),
        (["time-to-next-session", "--competing", "death", "--estimand", "anywhere"], "goes with the estimand here"),
        (["time-to-next-session", "--sensitivity", "--estimand", "here"], "goes with the estimand anywhere"),
        (["time-to-next-session", "--summaries", "--estimand", "anywhere"], "goes with the estimand here"),
        (["time-to-next-session", "--session-number", "2-3"], "is no session number"),
        (["complications", "--where", "technique"], "FIELD=VALUE"),
        (["complications", "--where", "technique="], "Give a value for technique"),
        (["complications", "--where", "technique=stripe"], "Did you mean strip?"),
        (["complications", "--where", "sx=male"], "Did you mean sex?"),
        (["complications", "--where", "sex=male", "--where", "sex=female"], "stands twice"),
        (["complications", "--since", "2020-02-01", "--until", "2020-01-01"], "the other way round"),
        (["time-to-next-session", "--at", "soon"], "'soon' is not a time"),
        (["time-to-next-session", "--as-of", "01/02/2020"], "Write it YYYY-MM-DD"),
        (["time-to-next-session", "--estimand", "there"], "Known: here, anywhere"),
        (["time-to-next-session", "--include-first-elsewhere", "yes"], "takes the word sensitivity"),
    ],
)
def test_refusals(folder: Path, arguments: list[str], message: str) -> None:
    result = run(folder, *arguments)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr


def test_as_of_is_passed_on(folder: Path) -> None:
    result = run(folder, "time-to-next-session", "--at", "1y", "--as-of", on(300).isoformat(), "--format", "json")
    content = json.loads(result.stdout)
    assert content["figures"][0]["flags"] == ["beyond_follow_up"]
    assert content["meta"]["as_of"] == on(300).isoformat()


def test_help_needs_no_slow_import() -> None:
    code = (
        "import sys; import reports.command_line; "
        "slow = {'polars', 'pandas', 'scipy', 'altair', 'great_expectations', 'lifelines'} & set(sys.modules); "
        "sys.exit(str(slow) if slow else 0)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
