"""Whose visit is due, and the site's own list of them. Every expectation is *by hand*."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.follow_up import contact_list, visits_due, visits_due_counts
from pipelines.numbered_records import numbered_records
from pipelines.pseudonyms import PATIENT_KEY, make_key_file, read_key_file
from pipelines.pseudonyms.keyed import pseudonym
from pipelines.shared_tables import sharing
from registry import GraftledgerError
from registry.store import open_registry
from reports.command_line import app
from tests.small_registry import key, on, small_registry

from .test_milestones import patients, session, visits

runner = CliRunner()


def test_due_overdue_and_nobody_to_be_called(empty_registry: Path) -> None:
    """On day 130: month 3 (day 60 to 120) has passed, month 6 has not begun. e was operated on 60 days later."""
    records = {
        "patient": [
            *patients("missed", "came", "again", "young"),
            *patients("left", status_at_last_contact="left_care"),
            *patients("dead", status_at_last_contact="died", died_on=on(80)),
            *patients("shifted", dates_shifted=True),
            *patients("lost", status_at_last_contact="not_reached"),
        ],
        "session": [
            *(session(name) for name in ("missed", "came", "left", "dead", "shifted", "lost")),
            session("again"),
            session("again", 60, 2),
            session("young", 60),
        ],
        "visit": [*visits("came", 61), *visits("missed", 7)],
    }
    with small_registry(empty_registry, **records) as registry:
        found = visits_due(registry, on=on(130))
        first = visits_due(registry, on=on(130), most=3)
        counts = visits_due_counts(registry, on=on(130))
        elsewhere = visits_due_counts(registry, on=on(130), site="B")
        with numbered_records(registry), sharing(registry):  # as an audit asks
            again = visits_due_counts(registry, on=on(130))
    listed = {row["session_key"].rstrip("_"): row for row in found.to_dicts()}
    assert {name: (row["milestone"], row["state"]) for name, row in listed.items()} == {
        "missed-1": ("month_3", "overdue"),
        "lost-1": ("month_3", "overdue"),
        "again-2": ("month_3", "due"),
        "young-1": ("month_3", "due"),
    }
    assert listed["missed-1"]["last_visit_on"] == on(7)
    assert (listed["missed-1"]["opens_on"], listed["missed-1"]["closes_on"]) == (on(60), on(120))
    assert first.equals(found.head(3))
    assert (elsewhere.frame.height, elsewhere.left_out, elsewhere.by("site_code")) == (0, {}, ())
    for counted in (counts, again):
        assert counted.on == on(130)
        assert list(counted.left_out.items()) == [
            ("contact_made", 1),
            ("operated_again", 1),
            ("died", 1),
            ("left_care", 1),
            ("dates_shifted", 1),
        ]
        assert counted.by("site_code") == (("A", "month_3", 2, 2),)
        assert counted.by("surgeon_code") == (("S1", "month_3", 2, 2),)
        assert counted.sessions("due") == counted.sessions("overdue", site_code="A", milestone="month_3") == 2
        assert counted.sessions("due", site_code="B") == 0


def test_a_missed_visit_is_listed_until_the_next_milestone_begins(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=patients("a"), session=[session("a")]) as registry:
        states = {
            day: [(row["milestone"], row["state"]) for row in visits_due(registry, on=on(day)).to_dicts()]
            for day in (0, 2, 3, 4, 5, 14, 149, 150, 2000)
        }
    assert states[0] == states[2] == [("day_1", "due")]
    assert states[3] == states[4] == [("day_1", "overdue")]
    assert states[5] == states[14] == [("day_7", "due")]
    assert states[149] == [("month_3", "overdue")]
    assert states[150] == [("month_6", "due")]
    assert states[2000] == [("year_5", "overdue")]  # year 6 would begin on day 2101


def test_a_patient_who_came_under_two_keys_has_both(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=patients("a"), session=[session("a")]):
        pass
    with open_registry(empty_registry, read_only=False) as registry:
        for kept, other in (("b", "c"), ("a", "b")):
            registry.connection.execute("insert into patient_merge values (1, ?, ?, null)", [key(kept), key(other)])
        assert visits_due(registry, on=on(1))["other_patient_keys"].to_list() == [f"{key('b')} {key('c')}"]


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    path = tmp_path / "practice.key"
    make_key_file(path)
    return path


def test_from_the_registry_to_the_telephone(empty_registry: Path, tmp_path: Path, key_file: Path) -> None:
    """The registry lists keys; the site finds the charts; a formula in its list stays text."""
    secret = read_key_file(key_file)
    mine, other = (pseudonym(secret, PATIENT_KEY, [number]) for number in ("ch-001", "ch-777"))
    with small_registry(empty_registry, patient=patients(mine, other), session=[session(mine), session(other)]):
        pass
    due, out, charts = tmp_path / "due.csv", tmp_path / "calls.csv", tmp_path / "charts.csv"
    arguments = ["visits-due", "--registry", str(empty_registry), "--on", str(on(90)), "--csv", str(due)]
    result = runner.invoke(app, arguments)
    assert result.exit_code == 0, result.output
    assert "month 3" in result.stdout
    charts.write_text(
        "chart_number,telephone,site_code\nCH-001,+49 170 000000,=cmd()\nCH-002,1,x\n CH-001 ,2,y\n", encoding="utf-8"
    )
    before = (empty_registry / "registry.duckdb").read_bytes()
    listing = ["contact-list", str(charts), "--due", str(due), "--key-file", str(key_file), "--out", str(out)]
    result = runner.invoke(app, listing)
    assert result.exit_code == 0, result.output
    (row,) = csv.DictReader(out.read_text(encoding="utf-8").splitlines())
    assert (row["chart_number"], row["telephone"], row["chart_site_code"]) == ("CH-001", "'+49 170 000000", "'=cmd()")
    assert (row["milestone"], row["state"], row["patient_key"]) == ("month_3", "due", mine)
    assert "1 visit of patients who are not on the list" in result.stderr
    assert out.stat().st_mode & 0o077 == 0
    assert (empty_registry / "registry.duckdb").read_bytes() == before
    again = runner.invoke(app, listing)
    assert again.exit_code == 1
    assert "not overwritten" in again.stderr


def test_merged_keys_find_their_chart(key_file: Path) -> None:
    secret = read_key_file(key_file)
    old = pseudonym(secret, PATIENT_KEY, ["7"])
    due = pl.DataFrame({"patient_key": ["kept"], "other_patient_keys": [f"x {old}"], "milestone": ["month_3"]})
    charts = pl.DataFrame({"number": ["7", None]})
    joined, others = contact_list(
        due, charts, secret, patient_column="number", due_label="due.csv", charts_label="charts.csv"
    )
    assert joined.to_dicts() == [{"number": "7", "patient_key": "kept", "milestone": "month_3"}]
    assert others == 0


@pytest.mark.parametrize(
    ("due_column", "chart_column", "says"),
    [("wrong", "number", "due.csv, patient_key"), ("patient_key", "wrong", "charts.csv, number")],
)
def test_what_is_missing_is_named(key_file: Path, due_column: str, chart_column: str, says: str) -> None:
    with pytest.raises(GraftledgerError, match=says):
        contact_list(
            pl.DataFrame({due_column: ["a"]}),
            pl.DataFrame({chart_column: ["1"]}),
            read_key_file(key_file),
            patient_column="number",
            due_label="due.csv",
            charts_label="charts.csv",
        )


def test_another_key_finds_nobody_and_says_so(key_file: Path) -> None:
    due = pl.DataFrame({"patient_key": ["a"], "other_patient_keys": [""], "milestone": ["month_3"]})
    with pytest.raises(GraftledgerError, match="Is it the key with which the records were made"):
        contact_list(
            due,
            pl.DataFrame({"number": ["1"]}),
            read_key_file(key_file),
            patient_column="number",
            due_label="due.csv",
            charts_label="charts.csv",
        )


def test_the_command_refuses_an_unknown_site(empty_registry: Path) -> None:
    result = runner.invoke(app, ["visits-due", "--registry", str(empty_registry), "--site", "C"])
    assert result.exit_code == 1
    assert "There is no site 'C'" in result.stderr


def test_nobody_due(empty_registry: Path) -> None:
    result = runner.invoke(app, ["visits-due", "--registry", str(empty_registry), "--on", str(date(2020, 1, 1))])
    assert result.exit_code == 0, result.output
    assert "All" in result.stdout
