"""What was agreed: written down once, closed once, and never changed. Every expectation is *by hand*."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines.agreed_actions import add_action, agreed_actions, close_action
from registry import GraftledgerError
from registry.store import open_registry
from reports.command_line import app

AGREED, DUE = date(2026, 10, 12), date(2026, 12, 1)
runner = CliRunner()


def add(folder: Path, **changed: object) -> int:
    given = {"words": "Call all patients due at month 12", "owner": "site lead", "due_on": DUE, "agreed_on": AGREED}
    with open_registry(folder, read_only=False) as registry:
        return add_action(registry, **{**given, **changed, "recorded_by": "test"}).action_id  # type: ignore[arg-type]


def test_open_overdue_closed(empty_registry: Path) -> None:
    assert [add(empty_registry), add(empty_registry)] == [1, 2]
    with open_registry(empty_registry, read_only=False) as registry:
        close_action(registry, 1, outcome="done", closed_on=date(2026, 12, 5), recorded_by="test")
        first, second = agreed_actions(registry)
    assert [first.is_open(day) for day in (date(2026, 10, 11), AGREED, date(2026, 12, 4), date(2026, 12, 5))] == [
        False,
        True,
        True,
        False,
    ]
    assert [second.is_overdue(day) for day in (DUE, date(2026, 12, 2))] == [False, True]
    assert first.is_overdue(date(2026, 12, 4))
    assert first.outcome == "done"


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"words": " "}, "action: is missing"),
        ({"owner": ""}, "owner: is missing"),
        ({"words": "x" * 301}, "longer than 300"),
        ({"due_on": date(2026, 10, 1)}, "due before it was agreed"),
        ({"words": "Ask Dr. Hollis"}, "a person's name"),
        ({"owner": "lead@clinic.example"}, "an e-mail address"),
    ],
)
def test_what_is_refused(empty_registry: Path, changed: dict[str, object], says: str) -> None:
    with pytest.raises(GraftledgerError, match=says):
        add(empty_registry, **changed)
    with open_registry(empty_registry) as registry:
        assert agreed_actions(registry) == ()


def test_closing_what_cannot_be_closed(empty_registry: Path) -> None:
    add(empty_registry)
    with open_registry(empty_registry, read_only=False) as registry:
        for number, outcome, day, says in (
            (2, "done", DUE, "There is no action 2. Known: 1 to 1."),
            (1, "finished", DUE, "'finished' is no outcome"),
            (1, "done", date(2026, 10, 1), "cannot be closed before"),
        ):
            with pytest.raises(GraftledgerError, match=says):
                close_action(registry, number, outcome=outcome, closed_on=day, recorded_by="test")
        close_action(registry, 1, outcome="done", closed_on=DUE, recorded_by="test")
        with pytest.raises(GraftledgerError, match="closed on 2026-12-01 already"):
            close_action(registry, 1, outcome="done", closed_on=DUE, recorded_by="test")


def test_the_commands(empty_registry: Path) -> None:
    where = ["--registry", str(empty_registry)]
    assert "No action has been agreed yet." in runner.invoke(app, ["agreed-actions", "list", *where]).stdout
    given = ["agreed-actions", "add", "Call them", "--owner", "site lead", "--due", "2026-12-01", "--about", "=cmd()"]
    added = runner.invoke(app, [*given, "--agreed", "2026-10-12", *where])
    assert added.exit_code == 0, added.output
    shown = runner.invoke(app, ["agreed-actions", "list", "--on", "2026-12-02", *where]).stdout
    assert "1. Call them (=cmd())" in shown
    assert "due on 2026-12-01, overdue." in shown
    assert all(len(line) <= 80 for line in shown.splitlines())
    closed = runner.invoke(app, ["agreed-actions", "close", "1", "--closed", "2026-12-03", *where])
    assert closed.exit_code == 0, closed.output
    assert "No action is open." in runner.invoke(app, ["agreed-actions", "list", "--on", "2026-12-04", *where]).stdout
    assert "closed on 2026-12-03: done" in runner.invoke(app, ["agreed-actions", "list", "--all", *where]).stdout


def test_a_registry_of_an_older_version_has_none_until_one_is_added(empty_registry: Path) -> None:
    with open_registry(empty_registry, read_only=False) as registry:
        registry.connection.execute("drop table agreed_action; drop table agreed_action_closing")
        registry.connection.execute("update registry_info set schema_version = 2")
    with open_registry(empty_registry) as registry:
        assert agreed_actions(registry) == ()
    assert add(empty_registry) == 1


def test_an_earlier_state_shows_what_was_written_down_before_the_next_intake(empty_registry: Path) -> None:
    add(empty_registry)
    with open_registry(empty_registry, read_only=False) as registry:
        registry.connection.execute("insert into intake values (1, 'files', now(), 't', '0', 'a', 'b')")
    add(empty_registry)
    with open_registry(empty_registry, read_only=False) as registry:
        close_action(registry, 1, outcome="done", closed_on=DUE, recorded_by="test")
        then, now = (agreed_actions(replace(registry, as_of_intake=event)) for event in (0, 1))
    assert [(action.action_id, action.closed_on) for action in then] == [(1, None)]
    assert [(action.action_id, action.closed_on) for action in now] == [(1, DUE), (2, None)]
