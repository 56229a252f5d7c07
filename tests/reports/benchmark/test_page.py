"""The page of one surgeon: nothing of a peer leaks, and what cannot be said is said."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipelines import MEASURE_LABELS
from pipelines.comparison.measures import (
    COMPARISON_LABELS,
    GRAFTS_NOT_GROWN,
    NEXT_SESSION,
    NEXT_SESSIONS_SEEN_TO_EXPECTED,
    PEER,
    RUN_AVERAGE,
    RUN_DIFFERENCE,
    SESSIONS_HELD,
)
from pipelines.comparison.practice import Practice, compare_practice
from pipelines.comparison.reviews import outlier_reviews, update_review
from registry.store import open_registry, start_registry
from reports.audit import parse_quarter
from reports.benchmark import BenchmarkDocument, build_benchmark
from reports.benchmark._data import gather
from reports.benchmark._sections.case_mix import case_mix
from reports.benchmark._sections.in_short import _alarms, in_short
from reports.benchmark._sections.next_session import next_session
from reports.benchmark._sections.reviews import reviews
from reports.command_line import app
from reports.command_line._benchmark import _open_reviews
from reports.wording import month_words
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import insert_rows, load_frames, on

QUARTER = parse_quarter("2026-Q3")
OWN = "S04"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry of 1,500 fictional patients."""
    path = tmp_path_factory.mktemp("benchmark") / "registry"
    start_registry(path, list(SITES), list(SURGEONS), "Test practice")
    with open_registry(path, read_only=False) as registry:
        load_frames(registry, dict(simulate(1500, 11).frames))
    return path


@pytest.fixture(scope="module")
def built(folder: Path) -> tuple[Practice, BenchmarkDocument]:
    with open_registry(folder) as registry:
        practice = compare_practice(registry, QUARTER.last_on)
        return practice, build_benchmark(practice, OWN, QUARTER)


@pytest.fixture
def document(built: tuple[Practice, BenchmarkDocument]) -> BenchmarkDocument:
    return built[1]


def words(html: str) -> str:
    """The text that is read, in one line."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", " ", html, flags=re.S)))


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, [*arguments, "--registry", str(folder)])


def test_no_peer_is_named_anywhere(document: BenchmarkDocument) -> None:
    """In the page, its drawings and its figures: no code of another surgeon, and no key of another's session."""
    for text in (document.html, document.figures_json):
        for code in SURGEONS:
            if code != OWN:
                assert not re.search(rf"\b{code}\b", text)


def test_no_count_of_a_peer_is_given(built: tuple[Practice, BenchmarkDocument]) -> None:
    """Figures of peers hold a band and its middle; their true cases, events and expected numbers stand nowhere."""
    practice, document = built
    peers = [f for f in json.loads(document.figures_json)["figures"] if f["measure"] == PEER]
    assert len({figure["group"]["peer"] for figure in peers}) >= 4
    for figure in peers:
        assert figure["events"] is None
        assert figure["at_risk"] is None
        assert figure["n_clusters"] is None
        assert not figure["not_counted"]
        assert figure["estimate"] == round(figure["estimate"], 1)
    # the number of cases is that of the band, whoever is in it
    assert len({(f["group"]["outcome"], f["group"]["cases"], f["n"]) for f in peers}) == len(
        {(f["group"]["outcome"], f["group"]["cases"]) for f in peers}
    )
    by_band: dict[tuple[str, str], set[str]] = {}
    for figure in peers:
        by_band.setdefault((figure["group"]["outcome"], figure["group"]["cases"]), set()).add(figure["group"]["peer"])
    of_page = {band for _, band in by_band}
    labels = {band: {label for (_, own), held in by_band.items() if own == band for label in held} for band in of_page}
    assert all(len(held) >= 2 for held in labels.values())
    for comparison in practice.comparisons.values():
        for code, one in comparison.results.items():
            if code != OWN and one.expected is not None:
                for text in (document.html, document.figures_json):
                    assert f"{one.expected:.6f}" not in text
                    assert one.ratio is None or one.observed == 0 or f"{one.ratio.estimate:.6f}" not in text
                own = comparison.results[OWN]
                if (one.observed, one.size) != (own.observed, own.size):
                    assert f"{one.observed:,} of {one.size:,} " not in words(document.html)


def test_peers_stand_in_the_order_of_their_labels_and_not_of_their_results(document: BenchmarkDocument) -> None:
    for name in document.data.peers:
        figures = document.data.of(PEER, outcome=name)
        numbers = [int(figure.group["peer"].split()[1]) for figure in figures]
        assert numbers == sorted(numbers)
    estimates = [figure.estimate for figure in document.data.of(PEER, outcome="folliculitis")]
    assert estimates != sorted(estimates, key=lambda value: value or 0)


def test_every_figure_has_a_label(document: BenchmarkDocument) -> None:
    known = {*COMPARISON_LABELS, *MEASURE_LABELS}
    assert {figure.measure for figure in document.data.figures} <= known


def test_cautions_stand_on_the_page(document: BenchmarkDocument) -> None:
    text = words(document.html)
    for caution in (
        "A prompt for review, not a verdict.",
        "It is no ranking",
        "Small numbers swing",
        "harder cases",
        "a next session is no measure of quality",
        "That a result within the limits is good.",
        "licensed clinicians",
    ):
        assert caution in text
    assert not re.search(r"\b(best|worst|rank(ed|s)|league|outperform\w*|poor performer)\b", text, re.I)


def test_grafts_over_time_are_drawn_without_an_alarm(document: BenchmarkDocument) -> None:
    told, text = document.data.graft_trend, words(document.html)
    assert told is not None
    assert f"{len(told.days)} sessions with mature counts:" in text
    assert "No alarm is drawn from it." in text
    (last,) = document.data.of(RUN_DIFFERENCE, outcome=GRAFTS_NOT_GROWN, year=str(told.days[-1].year))
    assert last.estimate == pytest.approx(-told.difference.values[-1])
    assert not any(f.flags for f in document.data.of(RUN_AVERAGE, outcome=GRAFTS_NOT_GROWN))


def test_own_numbers_stand_on_the_page(document: BenchmarkDocument) -> None:
    text = words(document.html)
    for comparison, result in document.data.results:
        unit = "sessions" if comparison.measure.model == "share" else "grafts"
        assert f"{result.observed:,} of {result.size:,} {unit}" in text
        assert comparison.measure.label in text


def test_the_keys_to_look_at_again_are_own_sessions_with_the_event(
    built: tuple[Practice, BenchmarkDocument],
) -> None:
    practice, document = built
    held = {row["session_key"]: row for row in practice.tables["folliculitis"].iter_rows(named=True)}
    keys = [case.session_key for case in document.data.again["folliculitis"]]
    assert len(keys) == practice.comparisons["folliculitis"].results[OWN].observed
    for key in keys:
        assert (held[key]["surgeon_code"], held[key]["observed"]) == (OWN, 1.0)


def test_a_page_without_results_says_why(folder: Path, built: tuple[Practice, BenchmarkDocument]) -> None:
    """S02 left in 2019: no session in the period."""
    with open_registry(folder) as registry:
        page = build_benchmark(compare_practice(registry, QUARTER.last_on), "S02", QUARTER)
    text = words(page.html)
    assert "0 sessions under your responsibility" in text
    assert "no session in the period" in text
    assert "no chart is drawn" in text
    assert not any(figure.flags == ("alert",) for figure in page.data.figures)


@pytest.mark.parametrize(
    ("quarter", "said"),
    [("2026-Q4", "lies after the data"), ("2008-Q1", "no session in the period")],
)
def test_a_quarter_without_records_says_so(folder: Path, quarter: str, said: str) -> None:
    asked = parse_quarter(quarter)
    with open_registry(folder) as registry:
        content = in_short(gather(compare_practice(registry, asked.last_on), OWN, asked)).content
    assert said in " ".join([content["rest"], *content["cautions"]])


def test_an_alarm_of_a_trend_is_told_at_once(document: BenchmarkDocument) -> None:
    data = document.data
    alarms = [day for trend in data.trends for day in trend.alarms]
    assert ("reached its limit for" in _alarms(data)) == bool(alarms)
    first = data.trends[0]
    alarmed = dataclasses.replace(first, path=dataclasses.replace(first.path, alarms=(0,)))
    shown = dataclasses.replace(data, trends=(alarmed,))
    assert month_words(first.days[0]) in _alarms(shown)


def test_one_surgeon_alone_is_compared_with_nobody(empty_registry: Path, tmp_path: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(
            registry,
            "patient",
            [{"patient_key": f"p{n}", "last_contact_on": on(3000)} for n in range(30)],
        )
        insert_rows(
            registry,
            "session",
            [
                {"session_key": f"s{n}", "patient_key": f"p{n}", "performed_on": on(3000 + n), "site_code": "AB"[n % 2]}
                for n in range(30)
            ],
        )
        insert_rows(registry, "site_period", [{"site_code": "A"}, {"site_code": "B"}])
    asked = parse_quarter("2019-Q4")
    with open_registry(empty_registry) as registry:
        page = build_benchmark(compare_practice(registry, asked.last_on), "S1", asked)
    text = words(page.html)
    assert "No peer is shown" in text
    assert "Others are not told" in text
    held = next(figure for figure in page.data.of(SESSIONS_HELD) if not figure.group)
    assert held.n == 30
    assert "at 2 sites" in text  # a surgeon at two sites
    out = tmp_path / "all"
    done = run(empty_registry, "benchmark", "--all", "--quarter", "2019-Q4", "--out", str(out))
    assert done.exit_code == 0, done.output
    assert {path.name for path in out.iterdir()} == {"S1", "S2"}
    assert "2 pages for 2019-Q4" in done.output


def test_the_command_writes_page_figures_and_pdf_with_the_same_bytes_again(
    folder: Path, document: BenchmarkDocument, tmp_path: Path
) -> None:
    out = tmp_path / "page"
    first = run(folder, "benchmark", OWN, "--quarter", "2026-Q3", "--out", str(out))
    assert first.exit_code == 0, first.output
    assert {path.name for path in out.iterdir()} == {"benchmark.html", "figures.json", "benchmark.pdf"}
    assert (out / "benchmark.pdf").read_bytes().startswith(b"%PDF")
    assert (out / "benchmark.html").read_text(encoding="utf-8") == document.html
    assert (out / "figures.json").read_text(encoding="utf-8") == document.figures_json
    assert all(len(line) <= 80 for line in first.output.splitlines() if str(out) not in line)
    again = run(folder, "benchmark", OWN, "--quarter", "2026-Q3", "--out", str(out))
    assert again.exit_code == 1
    assert "would be overwritten" in again.output


def test_the_commands_refuse_what_they_do_not_know(folder: Path) -> None:
    for arguments, said in (
        (("benchmark", "S99"), "There is no surgeon 'S99'"),
        (("benchmark",), "Name one surgeon"),
        (("benchmark", OWN, "--all"), "Name one surgeon"),
        (("benchmark", OWN, "--quarter", "2026"), "is not a quarter"),
        (("benchmark", OWN, "--case-mix", "4"), "There is no case-mix model 4"),
        (("case-mix", "show", "1"), "There is no case-mix model 1"),
        (("outlier-reviews", "update", "7", "--step", "closed", "--finding", "chance"), "no outlier review 7"),
    ):
        result = run(folder, *arguments)
        assert result.exit_code == 1, arguments
        assert said in result.output
        assert "Traceback" not in result.output


def test_a_review_is_listed_with_its_steps_and_stands_on_the_page(folder: Path) -> None:
    opened = run(folder, "outlier-reviews", "open", OWN, "infection", "--quarter", "2026-Q3")
    assert opened.exit_code == 0, opened.output
    with open_registry(folder, read_only=False) as registry:
        (review,) = outlier_reviews(registry, surgeon=OWN, open_only=True)
        update_review(registry, review.review_id, "data_check", "records_right", done_by="director")
        number = str(review.review_id)
    replied = run(folder, "outlier-reviews", "reply", number, "--finding", "explains", "--words", "A hot summer.")
    assert replied.exit_code == 0, replied.output
    listed = run(folder, "outlier-reviews", "list", "--open")
    assert "due: case-mix check" in listed.output
    assert "A hot summer." in listed.output
    assert all(len(line) <= 80 for line in listed.output.splitlines())
    with open_registry(folder) as registry:
        section = reviews(gather(compare_practice(registry, QUARTER.last_on), OWN, QUARTER))
    assert section is not None
    row = next(row for row in section.content["table"].rows if row.head.startswith(f"{number}: "))
    assert "A hot summer." in row.cells[2].more[0]
    assert "records are right" in row.cells[1].more[0]


def test_a_flagged_result_opens_a_review_once(folder: Path, built: tuple[Practice, BenchmarkDocument]) -> None:
    practice, _ = built
    comparison = practice.comparisons["folliculitis"]
    flagged = dataclasses.replace(comparison.results["S01"], flag="alert")
    results = {**comparison.results, "S01": flagged}
    changed = dataclasses.replace(
        practice,
        comparisons={**practice.comparisons, "folliculitis": dataclasses.replace(comparison, results=results)},
    )
    for period in ("2026-Q2", "2026-Q3"):
        _open_reviews(folder, changed, ("S01",), period, "test")
    with open_registry(folder) as registry:
        (review,) = [one for one in outlier_reviews(registry, surgeon="S01") if one.measure == "folliculitis"]
    assert (review.flag, review.period, review.opened_by) == ("alert", "2026-Q2", "test")
    assert review.basis["observed"] == flagged.observed


def test_a_model_is_frozen_listed_shown_and_used(folder: Path, tmp_path: Path) -> None:
    assert "None is frozen yet" in run(folder, "case-mix", "show", "1").output
    fitted = run(folder, "case-mix", "fit", "--since", "2019-01-01", "--until", "2023-12-31")
    assert fitted.exit_code == 0, fitted.output
    assert "2019-01-01 to 2023-12-31" in run(folder, "case-mix", "list").output
    shown = run(folder, "case-mix", "show", "1", "--out", str(tmp_path / "plots"))
    assert shown.exit_code == 0, shown.output
    for text in (fitted.output, shown.output):
        assert all(len(line) <= 80 for line in text.splitlines() if str(tmp_path) not in line)
    assert list((tmp_path / "plots").glob("calibration_*.svg"))
    with open_registry(folder) as registry:
        data = gather(compare_practice(registry, QUARTER.last_on), OWN, QUARTER)
    assert "Case-mix model 1, frozen on" in case_mix(data).content["frozen"]
    assert data.meta["case_mix_model"] == 1
    assert "Next session here, log hazard ratios:" in shown.output
    assert "cumulative hazard of who stands at 0" in shown.output
    assert "never flagged" in re.sub(r"\s+", " ", shown.output)
    assert (
        "The model is frozen, from first sessions of 1 January 2019 to 31 December 2023"
        in (next_session(data).content["seen"])
    )
    (figure,) = data.of(NEXT_SESSIONS_SEEN_TO_EXPECTED)
    assert figure.at is not None
    assert not set(figure.flags) - {"too_few"}


def test_a_model_frozen_before_next_sessions_were_leaves_them_to_a_fit_for_the_page(
    folder: Path, built: tuple[Practice, BenchmarkDocument]
) -> None:
    models = {name: model for name, model in built[0].models.items() if name != NEXT_SESSION}
    with open_registry(folder) as registry:
        data = gather(dataclasses.replace(built[0], registry=registry, models=models), OWN, QUARTER)
    assert "fitted for this page to all others" in next_session(data).content["seen"]
