"""What the audit says first, what it shows of the quarter, and what people write into it. Expectations: *by hand*."""

from __future__ import annotations

import io
import json
import zipfile
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.agreed_actions import add_action, close_action
from registry import GraftledgerError
from registry.settings import SETTINGS_FILE
from registry.store import Registry, open_registry
from reports.audit import AuditDocument, build_audit, parse_comments
from reports.command_line import app
from tests.small_registry import small_registry

from .conftest import QUARTER, records
from .reading import Element, read, section, table

EVIL = "=HYPERLINK(1) <img src=x onerror=alert(1)> </script> #panic() *_[x](http://x.example)"
runner = CliRunner()


def test_the_order_of_questions(page: Element) -> None:
    assert [found.attributes["id"] for found in page.all("section")] == [
        "attention", "in-short", "records", "follow-up", "held-back", "next-session", "complications", "numbness",
        "graft-survival", "ratings", "process", "expectations", "actions", "methods", "definitions", "sign-off",
    ]  # fmt: skip


def test_problems_with_the_data_lead_to_their_evidence(page: Element) -> None:
    attention = section(page, "attention")
    assert "Site A declares 2 sessions of the quarter, and 1 is recorded." in attention.text
    assert "No session of the quarter has come from site B." in attention.text
    links = {link.attributes["href"].removeprefix("#") for link in attention.all("a")}
    assert links <= {found.attributes["id"] for found in page.all("section")}
    assert "No target is set" in attention.text


def test_sessions_judged_lately(page: Element) -> None:
    """The session of 4 November: day 14 ended on 18 November without a contact; nothing else has ended yet."""
    judged = table(page, "Sessions whose days of judgement ended in each quarter")
    assert judged["Severe swelling"][0].startswith("none counted")
    assert "operated 2019-09-17 to 2019-12-17" in judged["Severe swelling"][0]
    activity = table(page, "Sessions here and who had them")
    assert activity["Sessions"] == ["1", "0", "0"]
    assert activity["Age at first surgery, median"][:2] == ["50 50 to 50", "–"]


def test_follow_up_by_milestone(page: Element) -> None:
    """12 first sessions had contacts on day 7, 60, 182, 365; 4 second ones had none; one is of November."""
    made = table(page, "Contacts made, of the sessions for which a milestone’s days ended")
    assert made["Day 7"][3:] == ["17", "70.6% 46.9% to 86.7%"]  # other software: R prop.test(12, 17, correct = FALSE)
    assert made["Day 1"][1] == "1"
    # on 31 December 2019: years 3, 4 (two) and 5 (two) run; years 2 (three) and 4 (four), and day 7, have passed
    assert table(page, "Sessions to call about")["All"] == ["5", "8"]


def test_process_and_its_caution(page: Element) -> None:
    steps = table(page, f"Sessions of {QUARTER} counted and not counted")
    assert steps["Bleeding-risk medicines reviewed"] == ["0", "0", "1"]
    assert "Stopping one is never a target" in section(page, "process").text


def with_settings(folder: Path, text: str) -> None:
    path = folder / SETTINGS_FILE
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def recent(number: int) -> dict[str, Any]:
    """So many sessions in October 2019, each with severe swelling told on day 7, and a severe infection."""
    days = [date(2019, 10, 1) + timedelta(days=day) for day in range(number)]
    names = [f"recent{at}" for at in range(number)]
    base = records()
    return {
        **base,
        "patient": [*base["patient"], *({"patient_key": one} for one in names)],
        "session": [
            *base["session"],
            *({"session_key": f"{one}-1", "patient_key": one, "performed_on": day}
              for one, day in zip(names, days, strict=True)),
        ],
        "visit": [
            *base["visit"],
            *({"visit_key": f"{one}-v", "session_key": f"{one}-1", "visited_on": day + timedelta(days=7),
               "swelling_since_last": "severe"} for one, day in zip(names, days, strict=True)),
        ],
        "complication": [
            {"session_key": f"{names[0]}-1", "kind": "infection", "severity": "severe", "onset_day": 5}
        ],
    }  # fmt: skip


def test_a_missed_target_and_severe_complications_come_first(empty_registry: Path) -> None:
    with_settings(empty_registry, '[targets.severe_swelling]\nat_most = 0.05\nsource = "meeting"\n')
    with small_registry(empty_registry, **recent(12)) as registry:
        page = read(build_audit(registry, QUARTER).html)
    text = section(page, "attention").text
    assert "Severe swelling: 100.0% (95% interval above 75.8%); wanted is at most 5.0% (meeting)." in text
    assert "1 severe complication began in the quarter: infection at A (1). Look at each." in text
    assert table(page, f"Severe complications that began in {QUARTER}")["Infection"] == ["A", "1", "1"]
    assert table(page, "Sessions whose days of judgement ended in each quarter")["Severe swelling"][3] == "at most 5.0%"


def test_a_missed_target_of_a_process_measure(empty_registry: Path) -> None:
    """12 of 13 sessions of the quarter were seen on day 7; nobody on day 1."""
    wanted = '[targets.contact_day_1]\nat_least = 0.9\nsource = "meeting"\n'
    with_settings(empty_registry, wanted + wanted.replace("day_1", "day_7").replace("0.9", "0.95"))
    with small_registry(empty_registry, **recent(12)) as registry:
        page = read(build_audit(registry, QUARTER).html)
    text = section(page, "attention").text
    assert "Contact on day 1: 0 of 13: below 22.8%; wanted is at least 90.0% (meeting)." in text
    assert "Contact on day 7" not in text
    assert (
        table(page, "Steps taken, of the sessions operated in each quarter")["Contact on day 7"][-1] == "at least 95.0%"
    )


def test_a_target_is_not_missed_where_few_were_judged(empty_registry: Path) -> None:
    with_settings(empty_registry, '[targets.severe_swelling]\nat_most = 0.05\nsource = "meeting"\n')
    with small_registry(empty_registry, **recent(9)) as registry:
        text = section(read(build_audit(registry, QUARTER).html), "attention").text
    assert "wanted is" not in text


def test_sections_can_be_left_out_but_not_those_that_warn(empty_registry: Path) -> None:
    with_settings(empty_registry, '[audit]\nleave_out = ["numbness", "sign-off"]\n')
    with small_registry(empty_registry, **records()) as registry:
        page = read(build_audit(registry, QUARTER).html)
    assert {"numbness", "sign-off"} & {found.attributes["id"] for found in page.all("section")} == set()


@pytest.mark.parametrize(
    ("left_out", "says"), [("methods", "cannot be left out"), ("numbnes", "Did you mean numbness")]
)
def test_a_section_that_is_none(empty_registry: Path, left_out: str, says: str) -> None:
    with_settings(empty_registry, f'[audit]\nleave_out = ["{left_out}"]\n')
    with small_registry(empty_registry, **records()) as registry, pytest.raises(GraftledgerError, match=says):
        build_audit(registry, QUARTER)


def test_comments_stand_where_they_belong_and_stay_text(practice: Registry) -> None:
    text = f"A **good** quarter.\n\n{EVIL}\n\n# numbness\n- look again\n- {EVIL}\n\n## What happened\nNothing *new*."
    document = build_audit(practice, QUARTER, comments=parse_comments(text))
    page = read(document.html)
    preface = page.all("header")[0].all("aside")[0]
    assert preface.text.startswith("Preface A good quarter.")
    assert EVIL.split("*")[0] in preface.text
    assert [item.text[:10] for item in section(page, "numbness").all("aside")[0].all("li")] == [
        "look again",
        "=HYPERLINK",
    ]
    assert section(page, "in-short").all("aside")[0].all("em")[0].text == "new"
    assert page.all("img", "script") == []
    assert document.pdf().content.startswith(b"%PDF")


def test_a_comment_on_no_section_is_refused(practice: Registry) -> None:
    with pytest.raises(GraftledgerError, match=r"'numbnes' is no section of the audit. Did you mean numbness\?"):
        build_audit(practice, QUARTER, comments=parse_comments("# numbnes\nx"))


def sheet_texts(content: bytes) -> str:
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        return "".join(book.read(part).decode() for part in book.namelist())


def test_no_formula_runs_in_the_workbook(empty_registry: Path) -> None:
    with_settings(empty_registry, """[targets.infection]\nat_most = 0.01\nsource = "=cmd|'/c calc'!A1"\n""")
    with small_registry(empty_registry, **records()):
        pass
    with open_registry(empty_registry, read_only=False) as registry:
        words = "=2+5+cmd|'/c calc'!A0"
        add_action(
            registry, words=words, owner="role", due_on=date(2019, 12, 1), agreed_on=date(2019, 11, 1), about="+1",
            recorded_by="test",
        )  # fmt: skip
    with open_registry(empty_registry) as registry:
        document = build_audit(registry, QUARTER)
    texts = sheet_texts(document.tables)
    assert "<f>" not in texts
    assert "<hyperlink " not in texts
    assert "cmd|" in texts
    frame = pl.read_excel(io.BytesIO(document.tables), sheet_name="Actions", has_header=False, infer_schema_length=None)
    assert f"1. {words}" in frame[:, 0].to_list()


def test_the_workbook_holds_the_tables_as_numbers(document: AuditDocument) -> None:
    frame = pl.read_excel(
        io.BytesIO(document.tables), sheet_name="Graft survival", has_header=False, read_options={"dtypes": "string"}
    )
    row = next(row for row in frame.rows() if row[0] == "All areas counted")
    assert [float(cell) for cell in row[1:5]] == [12, 12, 480, 0.9]
    assert row[5] == "59.4% to 99.6%"


def test_actions_with_their_state(empty_registry: Path) -> None:
    with small_registry(empty_registry, **records()):
        pass
    with open_registry(empty_registry, read_only=False) as registry:
        for due in (date(2019, 12, 1), date(2020, 2, 1), date(2019, 11, 20)):
            agreed = {"owner": "site lead", "agreed_on": date(2019, 11, 1), "about": EVIL[:50], "recorded_by": "test"}
            add_action(registry, words=f"Act by {due.month}", due_on=due, **agreed)  # type: ignore[arg-type]
        close_action(registry, 3, outcome="done", closed_on=date(2019, 11, 19), recorded_by="test")
    with open_registry(empty_registry) as registry:
        page = read(build_audit(registry, QUARTER).html)
        later = read(build_audit(registry, QUARTER, on=date(2020, 2, 2)).html)
    shown = table(page, "Actions agreed, and what became of them")
    assert {action: cells[-1] for action, cells in shown.items()} == {
        "1. Act by 12": "overdue", "2. Act by 2": "open", "3. Act by 11": "closed on 2019-11-19: done"
    }  # fmt: skip
    assert "Action 1, due on 1 December 2019, site lead: Act by 12" in section(page, "attention").text
    assert "Action 2" not in section(page, "attention").text
    assert "Action 2, due on 1 February 2020" in section(later, "attention").text
    assert page.all("img") == []


def test_what_was_defined_anew_since_the_last_audit(practice: Registry, document: AuditDocument) -> None:
    before = json.loads(document.figures_json)
    same = section(read(build_audit(practice, QUARTER, previous=before).html), "definitions").text
    assert "Definitions, settings and program are those of the audit of 2019-Q4" in same
    before["meta"]["definitions"]["infection"] = "Any redness."
    before["meta"]["version"] = "0.0.1"
    changed = section(read(build_audit(practice, QUARTER, previous=before).html), "definitions").text
    assert "Infection: “Any redness.” became “" in changed
    assert "Program: 0.0.1 became" in changed


def test_the_same_records_give_the_same_bytes(practice_folder: Path, tmp_path: Path) -> None:
    """Page, PDF, figures and workbook, written by two runs of the command."""
    written = []
    for run in ("one", "two"):
        result = runner.invoke(
            app, ["audit", QUARTER, "--registry", str(practice_folder), "--out", str(tmp_path / run)]
        )
        assert result.exit_code == 0, result.output
        written.append({path.name: path.read_bytes() for path in (tmp_path / run).iterdir()})
    assert written[0] == written[1]
    assert set(written[0]) == {"audit.html", "audit.pdf", "figures.json", "tables.xlsx"}


@pytest.mark.parametrize("quarter", ["2001-Q1", "2018-Q2"])
def test_a_quarter_without_anything_prints(practice: Registry, quarter: str) -> None:
    document = build_audit(practice, quarter)
    assert document.pdf("letter").content.startswith(b"%PDF")
    assert "none counted" in document.html
