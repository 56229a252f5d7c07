"""Accounts, links, second step, and the wait after failures. Expected values: *by hand*, from the rules stated."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyotp
import pytest

from registry.errors import GraftledgerError
from reports.web import accounts, passwords, second_step
from reports.web.access import Role
from reports.web.sessions import start_session, visitor_of
from reports.web.sign_in import sign_in
from reports.web.state import STATE_FILE, digest, open_state, prepare_state

PASSWORD = "quiet lantern meadow seven"
NOON = datetime(2030, 1, 1, 12, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    prepare_state(tmp_path)
    return tmp_path


@pytest.fixture
def ann(folder: Path) -> str:
    accounts.use_link(folder, accounts.add_account(folder, "ann", Role.DIRECTOR), PASSWORD)
    return "ann"


def test_real_passwords_are_hashed_by_argon2id_with_64_mebibytes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The parameters of RFC 9106, section 4, second recommended option."""
    monkeypatch.undo()
    assert passwords.hashed(PASSWORD).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_the_state_is_for_its_owner_and_holds_no_secret_in_the_clear(folder: Path) -> None:
    token = accounts.add_account(folder, "ann", Role.DIRECTOR)
    accounts.use_link(folder, token, PASSWORD)
    assert (folder / STATE_FILE).stat().st_mode & 0o777 == 0o600
    kept = b"".join(path.read_bytes() for path in folder.glob(f"{STATE_FILE}*"))
    assert b"ann" in kept
    assert token.encode() not in kept
    assert PASSWORD.encode() not in kept


def test_a_link_works_once(folder: Path) -> None:
    token = accounts.add_account(folder, "ann", Role.DIRECTOR)
    assert accounts.link_owner(folder, token) == "ann"
    with pytest.raises(GraftledgerError, match="12 to 256"):
        accounts.use_link(folder, token, "short")
    accounts.use_link(folder, token, PASSWORD)
    assert accounts.link_owner(folder, token) is None
    with pytest.raises(GraftledgerError, match="used before"):
        accounts.use_link(folder, token, PASSWORD)


def test_a_link_ends_after_three_days_and_with_a_newer_one(folder: Path) -> None:
    old = accounts.add_account(folder, "ann", Role.DIRECTOR)
    newer = accounts.new_link(folder, "ann")
    assert accounts.link_owner(folder, old) is None
    with open_state(folder) as state:
        state.execute("update links set expires_at = '2020-01-01T00:00:00+00:00'")
    assert accounts.link_owner(folder, newer) is None


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("a" * 11, "12 to 256"),
        ("abcdefghijkl" * 22, "12 to 256"),
        ("aaaaaaaaaaaaaaaa", "easily guessed"),
        ("1234567890123456", "easily guessed"),
        ("ann-ann-ann-1x", "little is left"),
        ("Graftledger2026", "little is left"),
        ("Password123456!", "little is left"),
        ("qwerty12345678abc", "little is left"),
    ],
)
def test_passwords_that_will_not_do(password: str, why: str) -> None:
    with pytest.raises(GraftledgerError, match=why):
        passwords.checked_password(password, "ann")


@pytest.mark.parametrize(
    ("name", "role", "options", "why"),
    [
        ("x", Role.DIRECTOR, {}, "a name is"),
        ("<script>", Role.DIRECTOR, {}, "a name is"),
        ("ann", Role.SURGEON, {}, "bound to one surgeon code"),
        ("ann", Role.DIRECTOR, {"surgeon_code": "S1"}, "bound to one surgeon code"),
        ("ann", Role.SURGEON, {"surgeon_code": "S9"}, "no such surgeon"),
        ("ann", Role.DIRECTOR, {"levels": ["anonymous"]}, "only an account of role researcher"),
        ("ann", Role.RESEARCHER, {"levels": ["everything"]}, "everything"),
        ("ann", Role.RESEARCHER, {"levels": ["anonymous", "internal"]}, "hold codes of surgeons"),
    ],
)
def test_accounts_that_will_not_do(folder: Path, name: str, role: Role, options: dict[str, object], why: str) -> None:
    with pytest.raises(GraftledgerError, match=why):
        accounts.add_account(folder, name, role, surgeons=["S1"], **options)  # type: ignore[arg-type]
    assert accounts.accounts(folder) == []


def test_a_name_is_taken_once_whatever_its_case(folder: Path, ann: str) -> None:
    with pytest.raises(GraftledgerError, match="there already"):
        accounts.add_account(folder, ann.upper(), Role.DIRECTOR)


def test_the_wait_doubles_from_the_fifth_failure_on(folder: Path, ann: str) -> None:
    """Four are free; then 30 s, 60 s, 120 s; too early an attempt is not looked at and does not lengthen the wait."""
    moment = NOON
    for _ in range(4):
        with pytest.raises(GraftledgerError, match="wrong"):
            sign_in(folder, ann, "wrong", "", moment)
    for wait in (30, 60, 120):
        with pytest.raises(GraftledgerError, match="is wrong"):
            sign_in(folder, ann, "wrong", "", moment)
        with pytest.raises(GraftledgerError, match="must wait"):
            sign_in(folder, ann, PASSWORD, "", moment + timedelta(seconds=wait - 1))
        moment += timedelta(seconds=wait)
    assert sign_in(folder, ann, PASSWORD, "", moment) == 1
    with pytest.raises(GraftledgerError, match="is wrong"):  # and the count begins again
        sign_in(folder, ann, "wrong", "", moment)
    assert sign_in(folder, ann, PASSWORD, "", moment) == 1


def test_the_wait_ends_at_an_hour(folder: Path, ann: str) -> None:
    moment = NOON
    for _ in range(20):
        with pytest.raises(GraftledgerError, match="is wrong"):
            sign_in(folder, ann, "wrong", "", moment)
        moment += timedelta(hours=1)
    assert sign_in(folder, ann, PASSWORD, "", moment) == 1


def test_unknown_and_disabled_names_are_told_the_same_and_wait_the_same(folder: Path, ann: str) -> None:
    accounts.disable_account(folder, ann)
    said = []
    for name in (ann, "nobody"):
        for _ in range(6):
            with pytest.raises(GraftledgerError) as refusal:
                sign_in(folder, name, PASSWORD, "", NOON)
        said.append(str(refusal.value))
    assert said[0] == said[1]
    assert "must wait" in said[0]


def test_the_second_step(folder: Path, ann: str) -> None:
    session = digest(start_session(folder, 1))
    with pytest.raises(GraftledgerError, match="does not fit"):  # none was offered
        second_step.turn_on_second_step(folder, 1, session, "000000")
    totp = pyotp.TOTP(second_step.offer_totp_secret(folder, session))
    with pytest.raises(GraftledgerError, match="does not fit"):
        second_step.turn_on_second_step(folder, 1, session, "abcdef")
    second_step.turn_on_second_step(folder, 1, session, totp.now())
    with pytest.raises(GraftledgerError, match="is wrong"):
        sign_in(folder, ann, PASSWORD, "", NOON)
    code = totp.at(NOON)
    assert sign_in(folder, ann, PASSWORD, code, NOON) == 1
    with pytest.raises(GraftledgerError, match="is wrong"):  # a code seen over a shoulder is worth nothing
        sign_in(folder, ann, PASSWORD, code, NOON)
    with pytest.raises(GraftledgerError, match="is wrong"):
        sign_in(folder, ann, PASSWORD, totp.at(NOON), NOON + timedelta(minutes=2))
    later = NOON + timedelta(minutes=2)
    assert sign_in(folder, ann, PASSWORD, totp.at(later), later) == 1
    other = start_session(folder, 1)
    second_step.turn_off_second_step(folder, 1, session)
    assert visitor_of(folder, other) is None
    assert sign_in(folder, ann, PASSWORD, "", later) == 1


@pytest.mark.parametrize("drops", [False, True])
def test_a_new_link_opens_a_disabled_account_again(folder: Path, ann: str, drops: bool) -> None:
    session = digest(start_session(folder, 1))
    secret = second_step.offer_totp_secret(folder, session)
    second_step.turn_on_second_step(folder, 1, session, pyotp.TOTP(secret).now())
    accounts.disable_account(folder, ann)
    token = accounts.new_link(folder, ann, drops_second_step=drops)
    assert accounts.accounts(folder)[0].disabled_at is not None  # not before the link is used
    accounts.use_link(folder, token, PASSWORD)
    (account,) = accounts.accounts(folder)
    assert (account.disabled_at, account.has_second_step) == (None, not drops)


def test_an_unknown_name_is_named_as_such(folder: Path) -> None:
    for act in (accounts.disable_account, accounts.new_link, accounts.end_sessions):
        with pytest.raises(GraftledgerError, match="no account of this name"):
            act(folder, "nobody")


def test_common_passwords_of_the_field_still_leave_room_for_good_ones() -> None:
    assert passwords.checked_password("my clinic likes green kettles", "ann")


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / STATE_FILE).mkdir()
    with pytest.raises(GraftledgerError, match="cannot be used"):
        prepare_state(tmp_path)


def test_a_file_that_is_no_state(tmp_path: Path) -> None:
    (tmp_path / STATE_FILE).write_bytes(b"something else" * 100)
    with pytest.raises(GraftledgerError, match="cannot be used"):
        prepare_state(tmp_path)
    with pytest.raises(sqlite3.DatabaseError), open_state(tmp_path) as state:
        state.execute("select * from accounts")


def test_a_state_of_a_newer_version(folder: Path) -> None:
    with open_state(folder) as state:
        state.execute("pragma user_version = 99")
    with pytest.raises(GraftledgerError, match="newer version"):
        prepare_state(folder)
