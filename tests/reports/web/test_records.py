"""The page Records: from files that a browser sends to records in the registry. Expected values: by hand."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from fastapi import FastAPI

from pipelines.held_back import entries
from registry.settings import SETTINGS_FILE
from registry.store import open_registry
from reports.web.access import Role
from reports.web.job_tasks import INTAKE, LOOK
from reports.web.jobs import Jobs, Status
from tests.reports.web.browsing import NAMES, Browser, said
from tests.reports.web.jobs_at_once import start_at_once

KEYS = [f"{letter}qxzvbnmwrtplkh{letter}" for letter in "abcdefghj"]
PATIENTS = "patient_key,site_code,enrolled_on,status_at_last_contact,sex\n" + "".join(
    f"{key},A,2020-01-01,in_follow_up,{sex}\n"
    for key, sex in zip(KEYS[:4], ("male", "female", "q7", "male"), strict=True)
)
FOREIGN = "Patient ID;Erfasst am;Status;Geschlecht;Zimmer\n" + "".join(
    f"{key};0{day}.04.2020;in Nachsorge;{word};7\n"
    for day, (key, word) in enumerate(zip(KEYS[4:7], ("m", "w", "m"), strict=True), start=1)
)
MANAGER = Role.DATA_MANAGER


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Jobs, "start", start_at_once)


@pytest.fixture
def manager(browser: Callable[[Role | None], Browser]) -> Browser:
    return browser(MANAGER)


def send(one: Browser, files: dict[str, bytes], site: str = "A", token: str | None = None) -> str:
    """Send files; returns where the browser is sent."""
    answer = one.client.post(
        f"/records?csrf={one.csrf if token is None else token}",
        data={"site": site},
        files=[("files", (name, content)) for name, content in files.items()],
    )
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def count(folder: Path) -> int:
    with open_registry(folder) as registry:
        return int(registry.connection.execute("select count(*) from patient").fetchall()[0][0])


def test_files_come_in_and_faulty_rows_are_held_back(manager: Browser, empty_registry: Path) -> None:
    page = send(manager, {"patient.csv": PATIENTS.encode()})
    shown = said(manager.get(page).text)
    assert "patient.csv: 4 rows" in shown
    assert "no mapping is needed" in shown
    assert count(empty_registry) == 0
    assert manager.post(f"{page}/intake").headers["location"] == page
    done = said(manager.get(page).text)
    assert "Intake 1 is done. 1 row was held back." in done
    assert count(empty_registry) == 3
    assert not list((empty_registry / "web_pages" / "deliveries").iterdir())
    assert said(manager.post(f"{page}/intake").text) == ""
    assert count(empty_registry) == 3


def test_held_back_rows_show_reasons_and_no_values(manager: Browser) -> None:
    manager.post(f"{send(manager, {'patient.csv': PATIENTS.encode()})}/intake")
    page = said(manager.get("/records/held-back?site=A").text)
    assert "patient.csv row 3" in page
    assert "sex" in page
    assert "q7" not in page
    assert "No row is held back" not in manager.get("/records").text
    assert manager.get("/records/held-back?site=Z").status_code == 400


def test_what_is_no_record_is_set_aside(manager: Browser, empty_registry: Path) -> None:
    manager.post(f"{send(manager, {'patient.csv': PATIENTS.encode()})}/intake")
    answer = manager.post("/records/held-back/set-aside", {"site": "A", "entry": "1", "reason": "not_a_patient_record"})
    done = said(manager.get(answer.headers["location"]).text)
    assert "1 row was set aside: the row is a test, a total or a note, and no record (event 2)." in done
    with open_registry(empty_registry) as registry:
        (entry,) = entries(registry)
        (by,) = registry.connection.execute("select received_by from intake where intake_id = 2").fetchall()[0]
    assert (entry.status, entry.dismissed_reason) == ("dismissed", "not_a_patient_record")
    assert by == NAMES[MANAGER]
    assert "No row is held back." in said(manager.get("/records").text)
    assert count(empty_registry) == 3


@pytest.mark.parametrize(
    ("ticked", "reason", "says"),
    [
        (None, "duplicate", "No row was chosen"),
        ("1; drop table patient", "duplicate", "nothing was set aside"),
        (["1", "one"], "duplicate", "nothing was set aside"),
        ("9" * 19, "duplicate", "nothing was set aside"),
        ("99", "duplicate", "There is no entry 99."),
        ("1", "", "'' is no reason for this."),
    ],
)
def test_what_cannot_be_set_aside_changes_nothing(
    manager: Browser, empty_registry: Path, ticked: str | list[str] | None, reason: str, says: str
) -> None:
    manager.post(f"{send(manager, {'patient.csv': PATIENTS.encode()})}/intake")
    answer = manager.post("/records/held-back/set-aside", {"reason": reason} | ({"entry": ticked} if ticked else {}))
    shown = answer if answer.status_code == 400 else manager.get(answer.headers["location"])
    assert says.casefold() in said(shown.text).casefold()
    with open_registry(empty_registry) as registry:
        assert [entry.status for entry in entries(registry)] == ["open"]


def test_rows_are_judged_again_after_the_settings_gained_a_site(
    browser: Callable[[Role | None], Browser], manager: Browser, empty_registry: Path
) -> None:
    rows = PATIENTS.replace(f"{KEYS[0]},A", f"{KEYS[0]},C")
    manager.post(f"{send(manager, {'patient.csv': rows.encode()})}/intake")
    assert count(empty_registry) == 2
    settings = empty_registry / SETTINGS_FILE
    settings.write_text(settings.read_text(encoding="utf-8").replace('"B"', '"B", "C"'), encoding="utf-8")
    page = manager.post("/records/held-back/judge-again").headers["location"]
    assert "2 rows were judged again (event 2): 1 came in, 1 is still held back." in said(manager.get(page).text)
    assert count(empty_registry) == 3
    assert browser(Role.DIRECTOR).get(page).status_code == 403
    assert manager.get("/records/held-back/done/" + "0" * 32).status_code == 404


def test_a_mended_workbook_comes_back(manager: Browser, empty_registry: Path) -> None:
    manager.post(f"{send(manager, {'patient.csv': PATIENTS.encode()})}/intake")
    sheet = manager.get("/records/held-back/A/workbook")
    assert 'filename="held_back_A.xlsx"' in sheet.headers["content-disposition"]
    frame = pl.read_excel(io.BytesIO(sheet.content))
    assert frame["sex"].to_list() == ["q7"]
    mended = io.BytesIO()
    frame.with_columns(sex=pl.lit("female")).write_excel(mended)
    page = send(manager, {"held_back_A.xlsx": mended.getvalue()})
    assert "rows held back before and mended" in said(manager.get(page).text)
    manager.post(f"{page}/intake")
    assert "Of rows held back before: 1 came in mended" in said(manager.get(page).text)
    assert count(empty_registry) == 4
    assert "No row is held back." in said(manager.get("/records").text)


def test_a_mapping_is_proposed_decided_and_kept(manager: Browser, application: FastAPI, empty_registry: Path) -> None:
    page = send(manager, {"Patienten.csv": FOREIGN.encode()})
    shown = manager.get(page).text
    assert "99.99.9999" in shown
    assert not [key for key in KEYS if key in shown]
    assert manager.post(f"{page}/intake").status_code == 400
    for _ in range(3):
        look = application.state.jobs.listed(kind=LOOK)[0]
        if not look.result["faults"]:
            break
        chosen: dict[str, str] = {}
        for sheet in look.result["found"]:
            for question in sheet["questions"]:
                values = [value for value, _ in question["options"]]
                wanted = {"'m'": "male", "'w'": "female", "Nachsorge": "in_follow_up", "31 December": "%d.%m.%Y"}
                chosen[question["name"]] = next(
                    (value for word, value in wanted.items() if word in question["asks"] and value in values),
                    "undecided",
                )
            for placement in sheet["placements"]:
                places = {"Zimmer": "leave-out", "Erfasst am": "patient.enrolled_on", "Geschlecht": "patient.sex"}
                places |= {"Status": "patient.status_at_last_contact", "Patient ID": "patient.patient_key"}
                if placement["options"]:
                    chosen[placement["name"]] = places[placement["column"]]
        assert manager.post(f"{page}/mapping", chosen).status_code == 303
    assert "would make 3 records of it; 0 of them" in said(manager.get(page).text), look.result["faults"]
    manager.post(f"{page}/intake")
    assert count(empty_registry) == 3
    kept = (empty_registry / "mappings" / "A.toml").read_text(encoding="utf-8")
    assert 'drop = ["Zimmer"]' in kept
    again = send(manager, {"Patienten.csv": FOREIGN.encode()})
    assert "This is the mapping that site A has." in said(manager.get(again).text)
    manager.post(f"{again}/mapping", {"anew": "yes"})
    assert "Proposed from the names" in said(manager.get(again).text)


def test_the_text_of_a_mapping_can_be_written(manager: Browser) -> None:
    page = send(manager, {"Patienten.csv": FOREIGN.encode()})
    manager.post(f"{page}/mapping", {"text": "site = A"})
    assert "this is not TOML" in said(manager.get(page).text)
    hostile = 'site = "A"\n[[source]]\nfile = "</textarea><script>alert(1)</script>"\nignore = true\n'
    manager.post(f"{page}/mapping", {"text": hostile})
    shown = manager.get(page).text
    assert "<script>alert" not in shown
    assert "&lt;script&gt;alert(1)" in shown
    other = 'site = "B"\n[[source]]\nignore = true\n'
    manager.post(f"{page}/mapping", {"text": other})
    assert "The mapping is of site B" in said(manager.get(page).text)


def test_a_file_that_identifies_somebody_is_refused(manager: Browser, empty_registry: Path) -> None:
    page = send(manager, {"patient.csv": b"patient_key,first_name\n" + KEYS[0].encode() + b",Zed\n"})
    shown = said(manager.get(page).text)
    assert "Zed" not in shown
    assert "Take it in" not in shown
    assert manager.post(f"{page}/intake").status_code == 400
    assert count(empty_registry) == 0


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.exe", b"MZ", "ends in none of"),
        ("a.csv", b"", "the file is empty"),
        ("a.csv", b"PK\x03\x04", "Excel workbook or another zip"),
    ],
)
def test_wrong_files_are_refused_on_the_page(manager: Browser, name: str, content: bytes, words: str) -> None:
    answer = manager.client.post(
        f"/records?csrf={manager.csrf}", data={"site": "A"}, files=[("files", (name, content))]
    )
    assert answer.status_code == 400
    assert words in said(answer.text)


def test_html_in_names_and_cells_is_shown_as_it_is(manager: Browser) -> None:
    evil = "<img src=x onerror=alert(1)>"
    page = send(manager, {f"{evil}.csv": f'"{evil}",patient_key\n"=1+1",{KEYS[0]}\n'.encode()})
    for path in (page, "/records"):
        assert "<img" not in manager.get(path).text


def test_a_delivery_without_site_or_token_is_refused(manager: Browser, empty_registry: Path) -> None:
    files = [("files", ("patient.csv", PATIENTS.encode()))]
    assert manager.client.post("/records?csrf=wrong", data={"site": "A"}, files=files).status_code == 403
    assert manager.client.post("/records", data={"site": "A", "csrf": manager.csrf}, files=files).status_code == 403
    answer = manager.client.post(f"/records?csrf={manager.csrf}", data={"site": "Z"}, files=files)
    assert (answer.status_code, "which site sends them" in said(answer.text)) == (400, True)
    kept = empty_registry / "web_pages" / "deliveries"
    assert not kept.exists() or not list(kept.iterdir())


def test_pages_go_on_while_another_program_writes(manager: Browser, empty_registry: Path) -> None:
    page = send(manager, {"patient.csv": PATIENTS.encode()})
    with open_registry(empty_registry, read_only=False) as writing:
        writing.connection.execute("update registry_info set created_by_version = 'changed'")
        assert manager.get("/records").status_code == 200
        manager.post(f"{page}/intake")
        assert "in use by another program" in said(manager.get(page).text)
    assert count(empty_registry) == 0
    manager.post(f"{page}/intake")
    assert count(empty_registry) == 3


def test_files_can_be_taken_away(manager: Browser, application: FastAPI) -> None:
    page = send(manager, {"patient.csv": PATIENTS.encode()})
    assert page in manager.get("/records").text
    assert manager.post(f"{page}/forget").status_code == 303
    assert page not in manager.get("/records").text
    manager.post(f"{page}/intake")
    job = application.state.jobs.listed(kind=INTAKE)[0]
    assert job.status is Status.REFUSED
    assert "are gone" in job.result["faults"][0]


def test_a_report_is_read_on_the_page(manager: Browser, application: FastAPI) -> None:
    manager.post(f"{send(manager, {'patient.csv': PATIENTS.encode()})}/intake")
    job = application.state.jobs.listed(kind=INTAKE)[0]
    page = manager.get(f"/records/intakes/{job.id}")
    assert page.status_code == 200
    assert page.text.count("<main") == 1
    assert "Intake 1" in page.text


@pytest.mark.parametrize("path", ["/records/deliveries/1", "/records/intakes/1", "/records/deliveries/..%2f..%2fx"])
def test_what_is_not_there_is_not_found(manager: Browser, path: str) -> None:
    assert manager.get(path).status_code == 404
