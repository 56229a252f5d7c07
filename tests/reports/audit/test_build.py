"""The audit of a small practice: what it says, and what it says when there is little to say."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipelines.figure import REASON_LABELS
from registry.errors import GraftledgerError
from registry.settings import SETTINGS_FILE
from registry.store import Registry
from reports.audit import AuditDocument, build_audit
from reports.audit._sections.definitions import _REASONS
from tests.small_registry import Row, on, small_registry

from .conftest import PATIENTS, QUARTER, records
from .reading import Element, read, section, table


def built(folder: Path, quarter: str = QUARTER, **rows: Sequence[Row]) -> str:
    with small_registry(folder, **rows) as registry:
        return build_audit(registry, quarter).html


def test_counts_by_hand(page: Element) -> None:
    """*By hand*, from the description of the practice."""
    quarter = table(page, f"Sessions of {QUARTER}, and how far records reach")
    assert quarter["Site A"][:3] == ["1", "2", "31 December 2019"]
    assert quarter["Site B"][:3] == ["0", "–", "31 December 2019"]
    assert table(page, "All records up to the end of the quarter")["All sites"] == ["13", "17", "48", "0", "12"]
    # 17 sessions: 12 assessed, 4 second ones without any contact, 1 whose closing contact is not due
    early = table(page, "Complications at all sites")
    assert early["Severe swelling"][:3] == ["1", "12", "12"]
    assert early["Infection"][:3] == ["0", "12", "12"]
    assert table(page, "Sessions counted and not counted, all sites")["Infection"] == ["12", "1", "4"]
    assert table(page, "Numbness still present")["Either area"][:3] == ["0", "12", "12"]  # the later row: month 12


def test_limits_against_other_software(page: Element) -> None:
    """*Other software*, R 4.2: prop.test(1, 12, correct = FALSE), prop.test(0, 12, correct = FALSE), and, since all
    patients have the very same share, qbeta(0.025, 10.8, 2.2) and qbeta(0.975, 11.8, 1.2)."""
    early = table(page, "Complications at all sites")
    assert early["Severe swelling"][3] == "8.3% 1.5% to 35.4%"
    assert early["Infection"][3] == "0.0% below 24.2%"
    survival = table(page, "Graft survival 10 to 18 months after the session")
    assert survival["All areas counted"] == ["12", "12", "480", "90.0% 59.4% to 99.6%"]


def test_in_short_gives_figures_with_intervals_and_cautions(page: Element) -> None:
    text = section(page, "in-short").text
    assert "the registry holds 13 patients with 17 sessions here" in text
    assert "1 session took place in the quarter; the sites declare 2." in text
    assert "Severe swelling within 7 days: 8.3% (95% interval 1.5% to 35.4%), 1 of 12 sessions assessed." in text
    # other software: R 4.2, prop.test(1, 12, correct = FALSE): 0.0148628, 0.3538796
    assert "Infection within 60 days: none seen in 12 sessions assessed; the share is below 24.2%." in text
    assert "Numbness at month 6: 16.7%" in text
    attention = section(page, "attention").text
    assert "Read with care" in attention
    assert "no verdict" in attention


def test_the_very_figures_shown_are_beside_the_page(practice: Registry, document: AuditDocument) -> None:
    beside = json.loads(document.figures_json)
    assert beside["meta"]["quarter"] == QUARTER
    assert beside["meta"]["as_of"] == "2019-12-31"
    assert beside["meta"]["snapshot"] == practice.snapshot
    assert beside["meta"]["snapshot"] in document.html
    measures = {figure["measure"] for figure in beside["figures"]}
    assert {"severe_swelling", "numbness", "graft_survival", "next_session_probability", "patients"} <= measures
    (swelling,) = (f for f in beside["figures"] if f["measure"] == "severe_swelling" and not f["group"])
    assert (swelling["events"], swelling["n"]) == (1, 12)


def test_the_same_registry_gives_the_same_bytes(practice: Registry, document: AuditDocument) -> None:
    """Whatever was drawn before in the same process."""
    assert build_audit(practice, QUARTER) == document


def test_another_process_gives_the_same_bytes(practice_folder: Path, document: AuditDocument) -> None:
    """Whatever the order in which hashes fall."""
    program = (
        "import sys; from registry import open_registry; from reports.audit import build_audit\n"
        f"with open_registry(sys.argv[1]) as r: d = build_audit(r, {QUARTER!r})\n"
        "sys.stdout.buffer.write((d.html + d.figures_json).encode())"
    )
    there = subprocess.run(
        [sys.executable, "-c", program, str(practice_folder)],
        capture_output=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "7", "TZ": "Pacific/Auckland"},
        cwd=Path(__file__).parents[3],
    )
    assert there.stdout.decode() == document.html + document.figures_json


def test_no_place_of_this_computer_in_the_files(practice_folder: Path, document: AuditDocument) -> None:
    assert str(practice_folder) not in document.html + document.figures_json


@pytest.mark.parametrize("quarter", ["2020-Q1", "2031-Q3"])
def test_a_quarter_after_the_data_is_refused(practice: Registry, quarter: str) -> None:
    with pytest.raises(GraftledgerError, match="lies after the data: records are complete to 31 December 2019"):
        build_audit(practice, quarter)


def test_a_quarter_that_is_not_over_is_shown_with_a_caution(empty_registry: Path) -> None:
    rows = records() | {"site_period": [{"site_code": "A", "quarter": QUARTER, "records_complete_to": "2019-11-30"}]}
    text = section(read(built(empty_registry, **rows)), "attention").text
    assert "The quarter has not been fully reported" in text
    assert "the records of site A do not reach that day" in text
    assert "Never declared up to when its records are complete: site B." in text


def test_a_site_without_a_declaration_is_named(empty_registry: Path) -> None:
    rows = records() | {"site_period": [{"site_code": "A", "quarter": QUARTER, "records_complete_to": "2019-12-31"}]}
    text = section(read(built(empty_registry, **rows)), "records").text
    assert "No date of complete records is declared for site B" in text


def test_a_quarter_without_sessions(practice: Registry) -> None:
    text = section(read(build_audit(practice, "2018-Q2").html), "in-short").text
    assert "No session of the quarter is recorded; the sites declare none." in text


def test_a_quarter_before_all_records(practice: Registry) -> None:
    page = read(build_audit(practice, "2001-Q1").html)
    assert "the registry holds 0 patients with 0 sessions here" in section(page, "in-short").text
    assert "Too few patients have been followed" in section(page, "in-short").text
    assert table(page, "Complications at all sites")["Infection"] == ["0", "0", "0", "none counted"]


def test_an_empty_registry_is_refused_with_what_to_do(empty_registry: Path) -> None:
    with pytest.raises(GraftledgerError, match="site_period"):
        built(empty_registry, site_period=[])


def test_records_without_a_declaration_are_refused_with_what_to_do(empty_registry: Path) -> None:
    with pytest.raises(GraftledgerError, match="no site has declared"):
        built(empty_registry, **(records() | {"site_period": []}))


def test_a_declaration_alone_gives_a_sound_page(empty_registry: Path) -> None:
    page = read(built(empty_registry))
    assert "0 patients" in section(page, "in-short").text
    assert "Nothing has come in by an intake." in section(page, "held-back").text


def test_one_patient(empty_registry: Path) -> None:
    page = read(
        built(empty_registry, patient=[{"patient_key": "p"}], session=[{"session_key": "s", "patient_key": "p"}])
    )
    assert "1 patient with 1 session here" in section(page, "in-short").text
    assert table(page, "Complications at all sites")["Folliculitis"][3] == "none counted"
    assert "Too few patients have been followed" in section(page, "in-short").text


def test_one_measure_without_data(empty_registry: Path) -> None:
    rows = records() | {"graft_count": []}
    page = read(built(empty_registry, **rows))
    assert "no area has a count made 10 to 18 months after its session" in section(page, "in-short").text
    assert table(page, "10 to 18 months after the session")["All areas counted"] == ["0", "0", "0", "none counted"]
    assert table(page, "Complications at all sites")["Severe swelling"][1] == "12"


def with_a_gap() -> dict[str, Sequence[Row]]:
    """The practice, and six patients ten years before it, of whom the first came back after the gap."""
    old, day = [f"old{number}" for number in range(6)], date(2005, 1, 10)
    more: dict[str, list[Row]] = {
        "patient": [{"patient_key": one, "enrolled_on": day} for one in old],
        "session": [
            *({"session_key": f"{one}-1", "patient_key": one, "performed_on": day} for one in old),
            {"session_key": "old0-2", "patient_key": "old0", "performed_on": date(2015, 2, 2), "session_number": 2},
        ],
        "visit": [
            {
                "visit_key": f"{one}-7",
                "session_key": f"{one}-1",
                "visited_on": day + timedelta(days=7),
                "swelling_since_last": "none",
            }
            for one in old
        ],
    }
    return {name: [*rows, *more.get(name, ())] for name, rows in records().items()}


def at_ten_years(document: AuditDocument) -> dict[str, Any]:
    """The share with a next session here by year 10."""
    return next(
        figure
        for figure in json.loads(document.figures_json)["figures"]
        if figure["measure"] == "next_session_probability" and figure["at"] == 3652 and not figure["group"]
    )


def test_ten_years_without_records(empty_registry: Path) -> None:
    """*By hand*: within the gap, nothing is read past the five years behind it, and nobody can be assessed anew.

    After it: all 18 patients but the newest are followed for two years, in which 4 came back; the one who came back
    after 3,675 days did so past year 10, and the other five are still followed there.
    """
    with small_registry(empty_registry, **with_a_gap()) as registry:
        within, after = build_audit(registry, "2010-Q2"), build_audit(registry, QUARTER)
    page = read(within.html)
    text = section(page, "in-short").text
    assert "the registry holds 6 patients with 6 sessions here" in text
    assert "No session of the quarter is recorded; the sites declare none." in text
    assert table(page, "Complications at all sites")["Severe swelling"][:3] == ["0", "6", "6"]
    assert table(page, "Complications at all sites")["Infection"][:3] == ["0", "0", "0"]
    assert "beyond_follow_up" in at_ten_years(within)["flags"]
    assert at_ten_years(within)["estimate"] is None
    later = at_ten_years(after)
    assert (later["events"], later["at_risk"], later["estimate"]) == (4, 6, pytest.approx(4 / 18))
    assert table(read(after.html), "All records up to the end of the quarter")["All sites"][:2] == ["19", "24"]
    assert within.pdf().content.startswith(b"%PDF")
    assert after.tables.startswith(b"PK")


def test_a_group_in_which_nobody_is_stays(page: Element) -> None:
    ages = table(page, "Share with a next session here, by age at first surgery")
    assert list(ages) == [
        f"{age} {patients}"
        for age, patients in (
            ("All ages", "13 patients"),
            ("Under 25", "0 patients"),
            ("25–34", "6 patients"),
            ("35–44", "0 patients"),
            ("45–54", "7 patients"),
            ("55+", "0 patients"),
        )
    ]
    assert set(ages["Under 25 0 patients"]) == {"none counted"}
    assert table(page, "Complications by site")["Site B"] == ["0", "0", "0", "none counted"]


def test_nothing_is_said_beyond_follow_up(page: Element) -> None:
    ages = table(page, "Share with a next session here, by age at first surgery")
    assert ages["All ages 13 patients"][-1] == "beyond follow-up"


def test_time_to_the_next_session_by_hand(page: Element) -> None:
    """*By hand*: 4 of the 12 followed for three years came again on day 730, nobody else ever; 8 are left."""
    at_3_years = table(page, "Share with a next session here, by age at first surgery")["All ages 13 patients"][2]
    assert at_3_years.startswith("33.3% ")
    assert "8 at risk" in at_3_years
    assert at_3_years.endswith("too few")  # fewer than the floor of 10 are still followed


def test_a_single_site_is_not_split(tmp_path: Path) -> None:
    from registry.store import start_registry

    start_registry(tmp_path / "one", ["A"], ["S1"], "One site")
    rows = records() | {"site_period": [{"quarter": QUARTER, "records_complete_to": "2019-12-31"}]}
    page = read(built(tmp_path / "one", **rows))
    assert "By site" not in page.text
    assert "Sites differ" not in page.text
    assert table(page, "10 to 18 months after the session")["Strip harvest"][0] == str(PATIENTS)


def test_benchmarks_stand_beside_their_figures_with_their_source(empty_registry: Path) -> None:
    settings = empty_registry / SETTINGS_FILE
    benchmarks = {
        "severe_swelling": (0.02, "meeting of <January> & co"),
        "graft_survival": (0.9, "own aim"),
        "numbness": (0.05, "own aim"),
        "next_session_probability": (0.3, "own aim"),
    }
    settings.write_text(
        settings.read_text(encoding="utf-8")
        + "".join(
            f'\n[benchmarks.{measure}]\nshare = {share}\nsource = "{source}"\n'
            for measure, (share, source) in benchmarks.items()
        ),
        encoding="utf-8",
    )
    html = built(empty_registry, **records())
    page = read(html)
    assert table(page, "Complications at all sites")["Severe swelling"][-1] == "2.0%"
    assert table(page, "Complications at all sites")["Infection"][-1] == "–"
    assert "Practice benchmark for severe swelling: 2.0% (source: meeting of <January> & co)." in page.text
    assert "<January>" not in html  # escaped in the source of the page
    assert "The settings give no time for it" in section(page, "next-session").text


def test_an_area_with_more_than_was_placed_is_told(empty_registry: Path) -> None:
    rows = records()
    rows["graft_count"] = [*rows["graft_count"][:-1], {**rows["graft_count"][-1], "growing_grafts": 50}]
    text = section(read(built(empty_registry, **rows)), "graft-survival").text
    assert "1 area had more grafts counted than were placed" in text


def test_how_many_sessions_were_counted_and_growth_stand_beside_survival(empty_registry: Path) -> None:
    """By hand: 12 of 16 sessions due were counted, with a survival of 0.9: bounds of 0.675 and 0.675 + 0.25."""
    page = read(built(empty_registry, **records()))
    text = section(page, "graft-survival").text
    assert "Of the sessions due for a count, 75.0% (95% interval" in text
    assert "survival would be 67.5%; if all had, 92.5%" in text
    assert "below 90% in 0.0% (95% interval 0.0% to" in text
    assert "yield is not a whole head" in text
    assert "month 12: 90.0%" in " ".join(
        element.attributes.get("aria-label", "") for element in section(page, "graft-survival").all("div")
    )


def test_every_reason_has_a_definition() -> None:
    assert set(_REASONS) == set(REASON_LABELS)


def test_a_hostile_name_of_the_practice_is_only_text(tmp_path: Path) -> None:
    from registry.store import start_registry

    start_registry(tmp_path / "odd", ["A"], ["S1"], "</style><script>alert('x')</script>")
    html = built(tmp_path / "odd", site_period=[{"quarter": QUARTER, "records_complete_to": on(3651)}])
    assert "<script" not in html
    assert "</style><script>alert('x')</script>" in read(html).text


def test_held_back_rows_are_shown_with_their_reason(tmp_path: Path, empty_registry: Path) -> None:
    from datetime import date

    from pipelines.intake import run_intake
    from registry.store import open_registry

    (tmp_path / "site_period.csv").write_text(
        "site_code,quarter,sessions_declared,records_complete_to\nA,2019-Q4,2,2019-12-31\nB,2019-Q4,,2031-12-31\n",
        encoding="utf-8",
    )
    with open_registry(empty_registry, read_only=False) as registry:
        run_intake(
            registry, [tmp_path / "site_period.csv"], today=date(2020, 1, 15), received_by="tests", progress=None
        )
    with open_registry(empty_registry) as registry:
        page = read(build_audit(registry, QUARTER).html)
    held = section(page, "held-back")
    assert "1 row is held back now, of 2 rows delivered." in held.text
    reasons: dict[str, Any] = table(page, "Why rows are held back now")
    ((reason, cells),) = reasons.items()
    assert reason == "Records cannot be complete to a day in the future complete_to_not_in_future"
    assert cells == ["Site declarations", "records_complete_to", "1"]
    assert "1 row delivered by the sites is held back" in section(page, "attention").text


def test_what_patients_are_told_is_judged_now_and_a_year_before(page: Element) -> None:
    """*By hand*: no bruised eyes in the 12 sessions assessed; the 90 % interval reaches far above 1 %. As many would
    settle it as Fleiss' formula says: ((1.645 x root 0.0099 + 0.842 x root 0.004975) / 0.005)^2."""
    told = table(page, "What patients are told, held against the records")
    assert told["About 1 patient in 200 gets bruised eyes, and no more than 1 in 100."][:2] == [
        "Cannot tell yet",
        "0.0% (below 18.4%) of 12 sessions About 1,990 sessions would settle it, if it is true",
    ]
    text = section(page, "expectations").text
    assert "The starter list: common practice, no source." in text
    assert "nobody's work" in text.replace("’", "'")
