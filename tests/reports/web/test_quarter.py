"""Quarter: the audit is the one that the command writes; comments, cases, signing and the lock."""

from __future__ import annotations

import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from pathlib import Path

import pytest
from typer.testing import CliRunner

from registry.errors import GraftledgerError
from registry.store import open_registry, start_registry
from reports.command_line import app
from reports.web.access import Role
from reports.web.access_log import accesses
from reports.web.embedding import embedded
from reports.web.jobs import Jobs
from reports.web.signatures import sign, signature_of
from reports.web.state import PAGES_FOLDER
from tests.reports.audit.conftest import QUARTER, records
from tests.reports.web.browsing import PASSWORD, Browser, application_over
from tests.reports.web.jobs_at_once import start_at_once
from tests.small_registry import small_registry

AT = f"/quarter/{QUARTER}"


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry whose audit was prepared once."""
    folder = tmp_path_factory.mktemp("quarter") / "registry"
    start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")
    with small_registry(folder, **records()):
        pass
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Jobs, "start", start_at_once)
        director = Browser(application_over(folder), Role.DIRECTOR)
        assert "has not been prepared yet" in director.get(AT).text
        assert director.post(f"{AT}/prepare").status_code == 303
    return folder


@pytest.fixture
def director(prepared: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Browser:
    """The director's browser over a copy of it."""
    folder = tmp_path / "registry"
    shutil.copytree(prepared, folder)
    monkeypatch.setattr(Jobs, "start", start_at_once)
    return Browser(application_over(folder), Role.DIRECTOR)


def made(director: Browser) -> str:
    found = re.search(r'name="made" value="([0-9a-f]+)"', director.get(AT).text)
    assert found is not None
    return found[1]


def test_choosing_a_quarter(director: Browser) -> None:
    page = director.get("/quarter").text
    assert "31 December 2019" in page
    assert page.count("not prepared") == 7
    assert page.count("prepared, not signed") == 1
    assert director.get("/quarter", params={"quarter": "2018-Q2"}).headers["location"] == "/quarter/2018-Q2"
    wrong = director.get("/quarter", params={"quarter": "spring"})
    assert wrong.status_code == 400
    assert 'aria-describedby="quarter-help quarter-fault"' in wrong.text


def test_a_registry_without_declarations_teaches_the_next_step(browser: object) -> None:
    page = browser(Role.DIRECTOR).get("/quarter").text  # type: ignore[operator]
    assert "declare-activity" in page
    assert 'href="/records"' in page


@pytest.mark.slow
def test_the_audit_is_that_of_the_command(director: Browser, tmp_path: Path) -> None:
    """Held against the command itself: the same to the byte, but for the ways added to the page."""
    folder = director.web.folder
    out = tmp_path / "out"
    day = re.search(r"(\d{4}-\d\d-\d\d) \d\d:\d\d UTC", director.get(AT).text)
    assert day is not None
    arguments = ["audit", QUARTER, "--registry", str(folder), "--out", str(out), "--on", day[1]]
    assert CliRunner().invoke(app, arguments).exit_code == 0
    shown = director.get(f"{AT}/audit")
    assert shown.status_code == 200
    page = (out / "audit.html").read_text(encoding="utf-8")
    assert embedded(page).content in re.sub(r'<p class="way">.*</p>\n', "", shown.text)
    assert director.get(f"{AT}/files/figures.json").text == (out / "figures.json").read_text(encoding="utf-8")
    assert director.get(f"{AT}/files/audit.pdf").content[:5] == b"%PDF-"
    for name in ("", "settings.toml", "..%2f..%2fweb.sqlite"):
        assert director.get(f"{AT}/files/{name}").status_code == 404


def test_the_styles_of_the_charts_are_those_that_the_browser_is_told_to_expect(director: Browser) -> None:
    shown = director.get(f"{AT}/audit")
    assert 'style="' in shown.text
    assert "style-src-attr 'unsafe-hashes' 'sha256-" in shown.headers["content-security-policy"]
    assert shown.text.count("<main") == 1
    assert f'href="{AT}/cases"' in shown.text


@pytest.mark.slow
def test_comments_are_printed_and_headings_refused(director: Browser) -> None:
    kept = director.post(f"{AT}/comments", {"section": "numbness", "words": "Look **again** <b>here</b>"})
    assert kept.status_code == 303
    page = director.get(AT).text
    assert "Since then these have changed: the comments" in page
    refused = director.post(f"{AT}/comments", {"section": "preface", "words": "# numbness\nhidden"})
    assert refused.status_code == 400
    assert "would be a heading" in refused.text
    assert director.post(f"{AT}/comments", {"section": "nothing", "words": "x"}).status_code == 400
    director.post(f"{AT}/prepare")
    audit = director.get(f"{AT}/audit").text
    assert "Look <b>again</b> &lt;b&gt;here&lt;/b&gt;" in audit
    director.post(f"{AT}/comments", {"section": "numbness", "words": " "})
    assert "Since then these have changed: the comments" in director.get(AT).text


def test_actions_are_written_down_and_closed(director: Browser) -> None:
    wrong = director.post(f"{AT}/actions", {"words": "Call them", "owner": "head nurse", "due": "soon"})
    assert wrong.status_code == 400
    assert "Call them" in wrong.text
    assert (
        director.post(f"{AT}/actions", {"words": "Call them", "owner": "head nurse", "due": "2099-01-01"}).status_code
        == 303
    )
    page = director.get(f"{AT}/actions").text
    assert "Action 1, due on 2099-01-01, is written down." in page
    assert "agreed actions" in director.get(AT).text
    assert director.post(f"{AT}/actions/7/close", {"outcome": "done"}).status_code == 400
    assert director.post(f"{AT}/actions/1/close", {"outcome": "done"}).status_code == 303
    assert "Closed" in director.get(f"{AT}/actions").text


def test_the_keys_behind_a_figure(director: Browser) -> None:
    """By hand: of the three sessions whose day 14 fell into the quarter, that of patient 0 had severe swelling."""
    page = director.get("/quarter/2015-Q1/cases/severe_swelling").text
    assert "It happened in 1 of 3 assessed" in page
    assert "patient0" in page
    assert "There is none." in director.get(f"{AT}/cases/severe_swelling").text
    table = director.get("/quarter/2015-Q1/cases/severe_swelling/csv").text
    assert table.splitlines()[0] == "session_key,patient_key,site_code,surgeon_code,performed_on,state"
    assert "patient0" in table
    assert director.get(f"{AT}/cases/nothing").status_code == 400
    assert "Keys of cases behind a figure" in {line.what for line in accesses(director.web.folder)}


def test_signing_locks_the_audit_and_shows_its_hashes(director: Browser) -> None:
    folder, form = director.web.folder, {"made": made(director), "read": "yes", "present": PASSWORD}
    for part, words in (
        ({"read": ""}, "Say that you have read it"),
        ({"present": "wrong"}, "password is another one"),
        ({"made": "0" * 32}, "another version was prepared"),
    ):
        refused = director.post(f"{AT}/sign", {**form, **part})
        assert refused.status_code == 400
        assert words in refused.text
    pdf = director.get(f"{AT}/files/audit.pdf").content
    assert director.post(f"{AT}/sign", form).status_code == 303
    page = director.get(AT).text
    assert sha256(pdf).hexdigest() in page
    assert "It is locked" in page
    assert director.get(f"{AT}/files/audit.pdf").content == pdf
    assert director.post(f"{AT}/sign", form).status_code == 400
    assert director.post(f"{AT}/prepare").status_code == 400
    assert director.post(f"{AT}/comments", {"section": "preface", "words": "more"}).status_code == 400
    assert "signed by dora" in director.get("/quarter").text
    kept = folder / PAGES_FOLDER / "signed" / QUARTER / "audit.pdf"
    assert kept.stat().st_mode & 0o777 == 0o400
    kept.chmod(0o600)
    kept.write_bytes(pdf + b" ")
    assert "These files are not those that were signed: audit.pdf" in director.get(AT).text


def test_what_was_changed_since_is_prepared_again_before_it_is_signed(director: Browser) -> None:
    form = {"made": made(director), "read": "yes", "present": PASSWORD}
    director.post(f"{AT}/comments", {"section": "preface", "words": "Well done."})
    refused = director.post(f"{AT}/sign", form)
    assert "comments or actions were changed" in refused.text
    assert "signed by" not in director.get("/quarter").text


def test_an_audit_from_before_an_erasure_is_no_longer_shown(director: Browser) -> None:
    with open_registry(director.web.folder, read_only=False) as registry:
        names = [row[0] for row in registry.connection.execute("describe erasure").fetchall()]
        columns = [row[1] for row in registry.connection.execute("describe erasure").fetchall()]
        plain = {"INTEGER": "1", "BIGINT": "1", "VARCHAR": "'x'", "DATE": "current_date"}
        values = [plain.get(column, "null") for column in columns]
        registry.connection.execute(f"insert into erasure ({', '.join(names)}) values ({', '.join(values)})")
    assert "has not been prepared yet" in director.get(AT).text
    assert director.get(f"{AT}/audit").status_code == 404


def test_a_quarter_that_the_data_do_not_reach(director: Browser) -> None:
    director.post("/quarter/2030-Q1/prepare")
    page = director.get("/quarter/2030-Q1").text
    assert "2030-Q1 lies after the data" in page


def test_a_job_of_another_account_is_refused(director: Browser) -> None:
    job = made(director)
    assert director.get(f"/jobs/{job}").headers["location"] == AT
    other = Browser(director.client.app, Role.DATA_MANAGER)  # type: ignore[arg-type]
    assert other.get(f"/jobs/{job}").status_code == 403
    assert other.post(f"/jobs/{job}/cancel").status_code == 403
    line = accesses(director.web.folder, most=1)[0]
    assert (line.account, line.what, line.outcome) == ("max", "Stopping a job: another account's job", "refused")
    assert other.get(f"/jobs/{'1' * 32}").status_code == 404


def test_of_two_who_sign_at_once_one_does(director: Browser) -> None:
    folder = director.web.folder
    job = folder / PAGES_FOLDER / "jobs" / made(director)
    names = ["audit.html", "audit.pdf"]

    def one(name: str) -> str:
        try:
            sign(folder, QUARTER, job, names, signed_by=name, snapshot="x")
        except GraftledgerError as refusal:
            return str(refusal)
        return "signed"

    with ThreadPoolExecutor(4) as several:
        told = list(several.map(one, ["ann", "ben", "cat", "dan"]))
    assert told.count("signed") == 1
    assert all("is signed" in words for words in told if words != "signed")
    signature = signature_of(folder, QUARTER)
    assert signature is not None
    assert signature.signed_by == ["ann", "ben", "cat", "dan"][told.index("signed")]
    assert signature.changed == ()
    assert [path.name for path in signature.folder.parent.iterdir()] == [QUARTER]


def test_a_file_that_is_gone_cannot_be_signed(director: Browser) -> None:
    folder = director.web.folder
    job = folder / PAGES_FOLDER / "jobs" / made(director)
    (job / "audit.pdf").unlink()
    with pytest.raises(GraftledgerError, match="could not be kept"):
        sign(folder, QUARTER, job, ["audit.html", "audit.pdf"], signed_by="ann", snapshot="x")
    assert signature_of(folder, QUARTER) is None
    assert list((folder / PAGES_FOLDER / "signed").iterdir()) == []
