"""The `figures` command for complications, their charts over time, grades and durations."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipelines import Figure, compare_durations, durations
from pipelines.complication_incidence import complication_incidence
from pipelines.complication_kinds import Window
from registry.store import open_registry
from reports.command_line import app
from reports.command_line._healing_table import healing_cell
from tests.small_registry import on, small_registry


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    """Forty patients over two years, all asked on day 40 about infection: one had it, another told of it too late."""
    names = [f"p{number}" for number in range(40)]
    starts = [on(18 * number) for number in range(40)]
    with small_registry(
        empty_registry,
        patient=[{"patient_key": name, "age_at_first_surgery_years": 30} for name in names],
        session=[
            {
                "session_key": name,
                "patient_key": name,
                "performed_on": start,
                "technique": "strip" if number % 2 else "combined",
            }
            for number, (name, start) in enumerate(zip(names, starts, strict=True))
        ],
        visit=[
            {
                "session_key": name,
                "visited_on": start + timedelta(days=40),
                "infection_since_last": "deep" if name == "p3" else None if name == "p4" else "none",
                "numbness_donor": "reduced" if number % 3 else "none",
            }
            for number, (name, start) in enumerate(zip(names, starts, strict=True))
        ],
        complication=[
            {"session_key": "p4", "kind": "infection", "onset_day": 3, "clavien_dindo": "II"},
            {"session_key": "p5", "kind": "necrosis", "severity": "severe", "onset_day": 5},
            {"session_key": "p25", "kind": "necrosis", "severity": "severe", "onset_day": 5},
        ],
    ):
        pass
    return empty_registry


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["figures", *arguments, "--registry", str(folder)])


EVERY_FORM = [
    ["complications", "--kind", "infection,necrosis", "--window", "30d,ever", "--severity", "any,severe"],
    ["complications", "--kind", "all", "--by", "technique"],
    ["complications", "--kind", "infection", "--per", "patient", "--by", "sex,technique"],
    ["complications", "--window", "12m", "--limits", "clopper-pearson"],
    ["complications", "--kind", "infection,necrosis", "--sensitivity", "--by", "technique"],
    ["complications-over-time", "--kind", "infection,necrosis"],
    ["complications-over-time", "--kind", "necrosis", "--control", "g"],
    ["complications-over-time", "--kind", "all", "--control", "u", "--window", "ever", "--severity", "moderate"],
    ["complications-over-time", "--kind", "necrosis", "--control", "run"],
    ["clavien-dindo"],
    ["clavien-dindo", "--by", "technique"],
    ["duration", "--of", "numbness-donor"],
    ["duration", "--of", "numbness-donor", "--by", "technique", "--at", "1m,3m"],
    ["duration", "--of", "numbness-donor", "--laws"],
    ["duration", "--of", "numbness-donor", "--by", "technique", "--laws"],
]


@pytest.mark.parametrize("arguments", EVERY_FORM, ids=lambda arguments: " ".join(arguments))
def test_every_form_fits_80_columns(folder: Path, arguments: list[str]) -> None:
    result = run(folder, *arguments)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines()) <= 80
    assert "nan" not in result.output.lower().split()
    assert "no medical advice" in " ".join(result.stderr.split())
    assert "_" not in result.stdout.split("Data complete to")[0].replace("reading_durations", "")


def test_json_holds_what_the_analysis_gives(folder: Path) -> None:
    result = run(folder, "complications", "--kind", "infection,wide-scar", "--window", "30d", "--format", "json")
    content = json.loads(result.stdout)
    with open_registry(folder) as registry:
        expected = complication_incidence(registry, kinds=["infection", "wide_scar"], windows=[Window(30)])
    assert content["figures"] == [json.loads(json.dumps(figure.as_dict())) for figure in expected]
    assert (content["meta"]["kinds"], content["meta"]["windows"]) == (["infection", "wide_scar"], ["0-30"])
    lasting = json.loads(run(folder, "duration", "--of", "numbness-donor", "--format", "json").stdout)
    with open_registry(folder) as registry:
        expected = durations(registry, of="numbness-donor")
    assert lasting["figures"] == [json.loads(json.dumps(figure.as_dict())) for figure in expected]


def test_groups_of_a_duration_are_compared(folder: Path) -> None:
    """Two techniques of the same finding differ by chance alone: as `compare_durations` has it."""
    content = json.loads(
        run(folder, "duration", "--of", "numbness-donor", "--by", "technique", "--format", "json").stdout
    )
    with open_registry(folder) as registry:
        test = compare_durations(registry, of="numbness-donor", by=("technique",))
    figure = content["figures"][-1]
    assert (figure["measure"], figure["estimate"], figure["n"]) == ("log_rank_p_value", test.p_value, 40)


def test_a_table_says_what_is_not_divided(folder: Path) -> None:
    """*By hand*: 39 answered, one told of an infection; p4's is known from a record, outside the denominator."""
    output = run(folder, "complications", "--kind", "infection,necrosis", "--window", "30d").stdout
    lines = output.splitlines()
    infection = next(line for line in lines if line.startswith("  Infection "))
    assert infection.split()[-3:] == ["39", "1", "39"]
    assert "  Infection, within 1 month: 1 (not asked throughout 1)" in lines
    after = lines[lines.index("Counted, but told by a contact after the window, so perhaps later:") + 1]
    assert after == "  Infection, within 1 month: 1"
    assert next(line for line in lines if line.startswith("  Kinds known from records ")).split()[-2:] == ["40", "40"]


def test_none_seen_says_the_bound(folder: Path) -> None:
    """*By hand*: 1 - 0.05 ** (1 / 40) = 0.0722, rounded up to 7.3."""
    output = run(folder, "complications", "--kind", "keloid", "--window", "30d").stdout
    assert "0 of 40: below 7.3%" in output
    assert "None seen: the one-sided 95% bound" in output


@pytest.mark.parametrize(
    ("expected", "figure"),
    [
        ("0 of 140: below 2.2%", Figure("m", 140, "sessions", "zero_event_upper", estimate=0.0, upper=0.02117)),
        (
            "(0 of 5: below 45.1%)",
            Figure("m", 5, "sessions", "zero_event_upper", estimate=0.0, upper=0.45072, flags=("too_few",)),
        ),
        (
            "none: below 0.7",
            Figure("clavien_dindo_records", 9, "sessions", "zero_event_upper", estimate=0.0, upper=0.61),
        ),
        ("1.31", Figure("complication_cyst_any_heaviest_weight", 9, "sessions", "w", estimate=1.3137)),
        ("nobody counted", Figure("m", 0, "sessions", "wilson")),
    ],
)
def test_cells(expected: str, figure: Figure) -> None:
    assert healing_cell(figure) == expected


@pytest.mark.parametrize(
    "arguments",
    [
        ["complications", "--kind", "all", "--window", "ever"],
        ["complications", "--kind", "infection,keloid", "--by", "technique"],
        ["complications-over-time", "--kind", "necrosis"],
        ["complications-over-time", "--kind", "necrosis", "--control", "g"],
        ["complications-over-time", "--kind", "all", "--control", "u"],
        ["duration", "--of", "numbness-donor", "--at", "1m"],
    ],
)
def test_a_chart_is_written(folder: Path, tmp_path: Path, arguments: list[str]) -> None:
    file = tmp_path / "chart.svg"
    result = run(folder, *arguments, "--chart", str(file))
    assert result.exit_code == 0, result.output
    svg = file.read_text(encoding="utf-8")
    assert svg.startswith("<svg ")
    assert "snapshot" in svg
    assert "nan" not in svg.lower()
    if "keloid" in " ".join(arguments):
        assert svg.count("none seen: below") == 8  # keloid: two techniques, three windows; infection: one, two
    assert run(folder, *arguments, "--chart", str(file)).exit_code == 1  # it is there already


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["complications", "--kind", "infecton"], "Did you mean infection?"),
        (["complications", "--kind", "infection", "--severity", "bad"], "There is no severity 'bad'"),
        (["complications", "--kind", "infection", "--window", "soon"], "'soon' is not a time"),
        (["complications", "--severity", "severe"], "--severity goes with --kind or --window"),
        (["complications", "--sensitivity"], "--sensitivity goes with --kind or --window"),
        (["complications", "--kind", "cyst", "--per", "visit"], "--per is one of session, patient"),
        (["complications", "--kind", "cyst", "--sensitivity", "--per", "patient"], "do not go together"),
        (["complications", "--kind", "cyst", "--sensitivity", "--chart", "a.svg"], "leave out --sensitivity"),
        (["complications", "--chart", "a.svg"], "Nobody is counted"),
        (["complications-over-time"], "Say which kind"),
        (["complications-over-time", "--kind", "cyst", "--by", "sex"], "split by nothing"),
        (["complications-over-time", "--kind", "cyst", "--window", "7d,30d"], "takes one"),
        (["complications-over-time", "--kind", "cyst", "--control", "g"], "needs at least two"),
        (["complications-over-time", "--kind", "cyst,keloid", "--chart", "a.svg"], "Name one"),
        (["duration"], "Say how long what lasts"),
        (["duration", "--of", "numbnes"], "Did you mean numbness?"),
        (["duration", "--kind", "infection"], "--kind goes with complications and complications-over-time only"),
        (["clavien-dindo", "--chart", "a.svg"], "--chart goes with"),
    ],
)
def test_refusals(folder: Path, arguments: list[str], message: str) -> None:
    result = run(folder, *arguments)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in " ".join(result.stderr.split())
