"""Each role's main work in a real browser, from signing in to the download; axe-core and the policy on every page."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Download, Page, expect

from registry.store import open_registry, start_registry
from reports.web.access import TASKS, Role
from reports.web.application import create_application
from synthetic_data import SITES, SURGEONS, simulate
from tests.reports.web.browsing import NAMES, PASSWORD, application_over
from tests.small_registry import load_frames

pytestmark = pytest.mark.slow
QUARTER = "2026-Q3"
LONG = 120_000
"""Milliseconds that a job may take on a busy machine."""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a server over 600 fictional patients, with an account of each role."""
    folder = tmp_path_factory.mktemp("served") / "registry"
    start_registry(folder, list(SITES), list(SURGEONS), "Lantern Bay Practice (fictional)")
    with open_registry(folder, read_only=False) as registry:
        load_frames(registry, dict(simulate(600, 3).frames))
    application_over(folder, SURGEONS[0])
    application = create_application(folder, hosts=["127.0.0.1"])
    server = uvicorn.Server(uvicorn.Config(application, port=0, log_level="warning", ws="none"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(20)


class Watched:
    """A page whose complaints are kept: what the policy refused, what was asked of elsewhere, faults of scripts."""

    def __init__(self, chromium: Chromium, served: str, **options: Any) -> None:
        self.at, self.complaints = served, list[str]()
        context = chromium.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True, **options)
        context.set_default_timeout(LONG)
        self.page: Page = context.new_page()
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self._asked(request.url))

    def _console(self, message: Any) -> None:
        refused = "the server responded with a status of 4" in message.text
        if message.type in ("error", "warning") and not refused:
            self.complaints.append(message.text)

    def _asked(self, url: str) -> None:
        if not url.startswith((self.at, "data:")):
            self.complaints.append(f"asked of elsewhere: {url}")

    def sign_in(self, role: Role) -> Page:
        """By typing, as a person does."""
        page = self.page
        page.goto(f"{self.at}/")
        page.get_by_label("Name", exact=True).fill(NAMES[role])
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("What would you like to do?")
        return page

    def download(self, press: Any) -> Download:
        with self.page.expect_download() as waiting:
            press.click()
        return waiting.value

    def check(self) -> None:
        """No fault that axe-core calls serious or critical, nothing to scroll sideways to, and no complaint."""
        found = Axe().run(self.page)
        grave = [one for one in found.response["violations"] if one["impact"] in ("serious", "critical")]
        told = [(one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in grave]
        assert told == [], self.page.url
        for width in (390, 1280, 1920):
            self.page.set_viewport_size({"width": width, "height": 900})
            over = self.page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
            assert over <= 0, (self.page.url, width)
        self.page.set_viewport_size({"width": 1280, "height": 900})
        assert self.complaints == [], self.page.url


@pytest.fixture
def watched(chromium: Chromium, served: str) -> Iterator[Watched]:
    one = Watched(chromium, served)
    yield one
    one.page.context.close()


def test_the_director_prepares_reads_and_signs_an_audit(watched: Watched) -> None:
    page = watched.sign_in(Role.DIRECTOR)
    page.get_by_role("link", name="Quarter", exact=True).first.click()
    page.get_by_role("link", name=QUARTER).click()
    watched.check()
    page.get_by_role("button", name="Prepare the audit").click()
    page.get_by_role("link", name="Read the audit").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("July to September 2026")
    watched.check()
    page.get_by_role("link", name="Keys of the cases behind these figures").click()
    page.get_by_role("link", name="Severe swelling").click()
    watched.check()
    page.goto(f"{watched.at}/quarter/{QUARTER}/actions")
    watched.check()
    page.goto(f"{watched.at}/quarter/{QUARTER}")
    pdf = watched.download(page.get_by_role("link", name="PDF to print and sign"))
    assert pdf.suggested_filename == f"audit-{QUARTER}.pdf"
    assert Path(pdf.path()).read_bytes()[:5] == b"%PDF-"
    page.get_by_label("I have read it.").check()
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_role("button", name=f"Sign the audit of {QUARTER}").click()
    expect(page.get_by_role("status")).to_have_text("The audit is signed and locked.")
    watched.check()


def test_the_surgeon_looks_at_own_outcomes(watched: Watched) -> None:
    page = watched.sign_in(Role.SURGEON)
    page.get_by_role("link", name="My outcomes").first.click()
    watched.check()
    page.get_by_role("button", name="Prepare the page").click()
    pdf = watched.download(page.get_by_role("link", name="PDF"))
    assert pdf.suggested_filename == f"benchmark-{SURGEONS[0]}-{QUARTER}.pdf"
    text = page.locator("main").inner_text()
    assert SURGEONS[0] in text
    assert [code for code in SURGEONS[1:] if code in page.content()] == []
    watched.check()


def test_the_researcher_builds_and_exports_a_cohort(watched: Watched) -> None:
    page = watched.sign_in(Role.RESEARCHER)
    page.get_by_role("link", name="Cohorts").first.click()
    watched.check()
    page.get_by_label("Name", exact=True).fill("everybody")
    page.get_by_role("button", name="Keep this cohort").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("everybody", timeout=LONG)
    page.get_by_role("radio", name="anonymous").check()
    page.get_by_role("button", name="Prepare the export").click()
    packed = watched.download(page.get_by_role("link", name=".zip"))
    assert Path(packed.path()).read_bytes()[:2] == b"PK"
    assert [code for code in SURGEONS if code in page.content()] == []
    watched.check()


def test_the_data_manager_takes_a_file_in(watched: Watched, tmp_path: Path) -> None:
    file = tmp_path / "patient.csv"
    file.write_text(
        "patient_key,site_code,enrolled_on,status_at_last_contact\n"
        f"q7rk2mx9tb4wz8vd3hnp,{SITES[0]},2026-09-01,in_follow_up\n"
        f"h3np6sx8vd2kq9rt5mwz,{SITES[0]},2026-09-01,wherever\n"
    )
    page = watched.sign_in(Role.DATA_MANAGER)
    page.get_by_role("link", name="Records").first.click()
    watched.check()
    page.get_by_label("Site that sends them").select_option(SITES[0])
    page.get_by_label("Files", exact=True).set_input_files(file)
    page.get_by_role("button", name="Send, and look at them").click()
    page.get_by_role("button", name="Take it in").click()
    expect(page.get_by_text("is done.")).to_be_visible(timeout=LONG)
    watched.check()
    page.get_by_role("link", name="See the rows held back").click()
    watched.check()
    book = watched.download(page.get_by_role("link", name="workbook to mend them in").first)
    assert book.suggested_filename == f"held_back_{SITES[0]}.xlsx"
    page.get_by_role("checkbox", name="Set aside entry").last.check()
    page.get_by_label("Why they are set aside").select_option("duplicate")
    page.get_by_role("button", name="Set the ticked rows aside").click()
    expect(page.get_by_text("1 row was set aside")).to_be_visible(timeout=LONG)
    watched.check()
    page.get_by_role("link", name="Visits due").first.click()
    watched.check()
    table = watched.download(page.get_by_role("link", name="CSV").first)
    assert table.suggested_filename.endswith(".csv")


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_of_the_menu(chromium: Chromium, served: str, role: Role, scheme: str) -> None:
    watched = Watched(chromium, served, color_scheme=scheme)
    page = watched.sign_in(role)
    watched.check()
    for task in TASKS:
        if task.name not in ("jobs", "public") and task.roles and role in task.roles:
            answer = page.goto(f"{served}{task.path}")
            assert answer is not None
            assert answer.status == 200
            watched.check()
    page.context.close()


def test_pages_before_signing_in_and_refusals(watched: Watched) -> None:
    watched.page.goto(f"{watched.at}/sign-in")
    watched.check()
    watched.page.goto(f"{watched.at}/welcome/nothing")
    watched.check()
    watched.sign_in(Role.RESEARCHER).goto(f"{watched.at}/quarter")
    expect(watched.page.get_by_role("heading", level=1)).to_have_text("This was refused")
    watched.check()


def test_the_check_sees_planted_faults(watched: Watched) -> None:
    watched.page.goto(f"{watched.at}/sign-in")
    plant = "document.querySelector('main').insertAdjacentHTML('beforeend', '{}')"
    watched.page.evaluate(plant.format('<img src="data:,">'))
    with pytest.raises(AssertionError, match="image-alt"):
        watched.check()
    watched.page.goto(f"{watched.at}/sign-in")
    watched.page.evaluate(plant.format('<p style="width: 3000px">wide</p>'))
    with pytest.raises(AssertionError):
        watched.check()
    assert "Content Security Policy" in watched.complaints[0]


def test_by_keyboard_alone(watched: Watched) -> None:
    page = watched.sign_in(Role.DIRECTOR)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Records"
    page.keyboard.press("Enter")
    page.wait_for_url("**/records")


def test_without_scripts(chromium: Chromium, served: str) -> None:
    watched = Watched(chromium, served, java_script_enabled=False)
    page = watched.sign_in(Role.DIRECTOR)
    page.get_by_role("link", name="Access log").first.click()
    page.get_by_label("Outcome").select_option("granted")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("cell", name="Log of access").first).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")
    page.context.close()


def test_the_surgeon_has_a_sheet_made_and_printed(watched: Watched) -> None:
    page = watched.sign_in(Role.SURGEON)
    page.get_by_role("link", name="Consultation").first.click()
    page.get_by_label("Age at first surgery").fill("42")
    page.get_by_label("Technique").select_option("strip")
    page.get_by_role("button", name="Make the sheet").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Figures for the next consultation", timeout=LONG)
    watched.check()
    pdf = watched.download(page.get_by_role("link", name="Print: one page (PDF)"))
    assert Path(pdf.path()).read_bytes()[:5] == b"%PDF-"
    assert [code for code in SURGEONS[1:] if code in page.content()] == []


def test_counts_follow_the_conditions_of_a_cohort(watched: Watched) -> None:
    page = watched.sign_in(Role.RESEARCHER)
    page.get_by_role("link", name="Cohorts").first.click()
    flow = page.locator("#flow")
    expect(flow.get_by_role("row")).to_have_count(4)
    page.locator("summary").get_by_text("Technique", exact=True).click()
    page.get_by_role("checkbox", name="Strip harvest").check()
    expect(flow.get_by_role("row")).to_have_count(5)
    expect(flow).to_contain_text("Technique: strip")
    page.locator("summary").get_by_text("Sex", exact=True).click()
    page.get_by_role("checkbox", name="Intersex").check()
    expect(flow).to_contain_text("fewer than 11")
    watched.check()


def test_a_mapping_is_decided_by_choosing(watched: Watched, tmp_path: Path) -> None:
    file = tmp_path / "Patienten.csv"
    days = enumerate("abcdefg", start=1)
    rows = "".join(f"{letter}qxzvbnmwrtplkhj;0{day}.04.2024;in Nachsorge;3\n" for day, letter in days)
    file.write_text(f"Pseudonym;Erfasst am;Status;Zimmer\n{rows}", encoding="utf-8")
    page = watched.sign_in(Role.DATA_MANAGER)
    page.goto(f"{watched.at}/records")
    page.get_by_label("Site that sends them").select_option(SITES[1])
    page.get_by_label("Files", exact=True).set_input_files(file)
    page.get_by_role("button", name="Send, and look at them").click()
    expect(page.get_by_role("heading", name="Mapping")).to_be_visible(timeout=LONG)
    watched.check()
    expect(page.get_by_role("cell", name="99.99.9999")).to_be_visible()
    for _ in range(4):
        if page.get_by_role("button", name="Take it in").count():
            break
        for column, place in (
            ("Pseudonym", "patient.patient_key"),
            ("Erfasst am", "patient.enrolled_on"),
            ("Status", "patient.status_at_last_contact"),
            ("Zimmer", "leave-out"),
        ):
            page.get_by_label(f"Column {column} goes to").select_option(place)
        for question in page.locator(".questions select").all():
            offered = question.locator("option").evaluate_all("all => all.map(one => one.value)")
            fitting = [value for value in ("%d.%m.%Y", "in_follow_up") if value in offered]
            question.select_option(fitting[0] if fitting else "undecided")
        with page.expect_navigation():
            page.get_by_role("button", name="Keep these choices and look again").click()
        expect(page.get_by_role("heading", name="Mapping")).to_be_visible(timeout=LONG)
    page.get_by_role("button", name="Take it in").click()
    expect(page.get_by_text("is done.")).to_be_visible(timeout=LONG)
    page.get_by_role("link", name="Read the report").click()
    watched.check()
    page.goto(f"{watched.at}/records/held-back")
    watched.check()
