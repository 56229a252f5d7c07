"""What changed between two audits, and why. Every expectation is *by hand*."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.audit_changes import audit_changes
from pipelines.figure import Figure
from reports.command_line import app

META: dict[str, Any] = {"report": "audit", "quarter": "2026-Q3", "snapshot": "a", "settings": "s", "version": "1"}
ONE = Figure(
    "infection", 100, "sessions", "wilson", estimate=0.02, lower=0.005, upper=0.07, events=2, window="0-60",
    not_counted={"not_due": 10, "missed_visit": 20},
)  # fmt: skip
runner = CliRunner()


def compared(other: Figure, **meta: Any) -> tuple[str, ...]:
    before = {"meta": META, "figures": [ONE.as_dict()]}
    (change,) = audit_changes(before, {**META, **meta}, [other]).figures
    return change.why


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"n": 110, "not_counted": {"missed_visit": 20}}, ("became_due",)),
        ({"n": 105, "not_counted": {"not_due": 10, "missed_visit": 15}}, ("late_follow_up",)),
        ({"n": 120}, ("new_records",)),
        ({"n": 90}, ("corrections",)),
        ({"events": 3, "estimate": 0.03}, ("corrections",)),
        (
            {"n": 130, "not_counted": {"not_due": 5, "missed_visit": 10}},
            ("new_records", "became_due", "late_follow_up"),
        ),
    ],
)
def test_why_from_the_counts(changed: dict[str, Any], why: tuple[str, ...]) -> None:
    assert compared(replace(ONE, **changed)) == why


def test_the_same_people_seen_to_a_later_day() -> None:
    other = replace(ONE, events=3, estimate=0.03)
    assert compared(other, as_of="2026-12-31") == ("longer_follow_up",)
    assert compared(other, data_date="2026-12-31") == ("longer_follow_up",)


def test_shares_and_counts_are_ordered_by_one_measure() -> None:
    """A share that moved by 0.3 comes before a count that rose from 30,000 to 31,000, and after one that doubled."""
    figures = [
        (ONE, replace(ONE, estimate=0.32, upper=0.4, events=32)),
        *(
            (Figure(name, 30_000, "visits", "count", estimate=30_000.0), Figure(name, n, "visits", "count", estimate=n))
            for name, n in (("visits", 31_000), ("sessions", 60_000))
        ),
    ]
    before = {"meta": META, "figures": [one.as_dict() for one, _ in figures]}
    changes = audit_changes(before, META, [other for _, other in figures])
    assert [change.measure for change in changes.figures] == ["sessions", "infection", "visits"]


def test_settings_version_and_definition_are_named_where_they_changed() -> None:
    other = replace(ONE, estimate=0.025)
    assert compared(other, settings="t") == ("settings",)
    assert compared(other, version="2") == ("version",)
    assert compared(other, definitions={"infection": "new"}) == ("definition",)
    assert compared(other, definitions={"numbness": "new"}) == ("corrections",)


def test_figures_of_the_quarter_itself_are_not_compared_with_another_quarter() -> None:
    one, other = (Figure("sessions_in_quarter", n, "sessions", "count", estimate=float(n)) for n in (10, 5))
    before = {"meta": META, "figures": [one.as_dict()]}
    (change,) = audit_changes(before, META, [other]).figures
    assert change.why == ("corrections",)
    apart = audit_changes(before, {**META, "quarter": "2026-Q4"}, [other]).figures
    assert [(change.before is None, change.after is None) for change in apart] == [(False, True), (True, False)]


def test_figures_of_one_side_and_alike() -> None:
    before = {"meta": META, "figures": [ONE.as_dict(), replace(ONE, measure="folliculitis").as_dict()]}
    changes = audit_changes(before, META, [ONE, replace(ONE, measure="numbness")])
    assert changes.same == 1
    assert {(change.measure, change.before is None) for change in changes.figures} == {
        ("folliculitis", False),
        ("numbness", True),
    }
    assert changes.meta == {}


def written(folder: Path, *figures: Figure, **meta: Any) -> Path:
    folder.mkdir()
    content = {"meta": {**META, **meta}, "figures": [figure.as_dict() for figure in figures]}
    (folder / "figures.json").write_text(json.dumps(content), encoding="utf-8")
    return folder


def test_the_command_on_the_terminal_and_as_a_page(tmp_path: Path) -> None:
    one = written(tmp_path / "one", ONE, practice="<b>P</b>")
    two = written(tmp_path / "two", replace(ONE, n=120, events=3, estimate=0.025), snapshot="b", practice="<b>P</b>")
    result = runner.invoke(app, ["audit-diff", str(one), str(two), "--out", str(tmp_path / "diff.html")])
    assert result.exit_code == 0, result.output
    assert "Snapshot: a -> b" in result.stdout
    assert "  2.0% (2 of 100) -> 2.5% (3 of 120)" in result.stdout
    assert "  More records" in result.stdout
    assert all(len(line) <= 80 for line in result.stdout.splitlines())
    html = (tmp_path / "diff.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;P&lt;/b&gt;" in html
    assert "<b>P</b>" not in html


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "cannot be read"),
        ("nothing", "no JSON"),
        ("[]", "does not hold the figures of an audit"),
        ('{"meta": {"report": "audit"}, "figures": [{"measure": 1}]}', "does not hold the figures of an audit"),
        ('{"meta": {"report": "other"}, "figures": []}', "does not hold the figures of an audit"),
    ],
)
def test_what_is_no_audit(tmp_path: Path, content: str | None, says: str) -> None:
    folder = tmp_path / "one"
    folder.mkdir()
    if content is not None:
        (folder / "figures.json").write_text(content, encoding="utf-8")
    result = runner.invoke(app, ["audit-diff", str(folder), str(folder)])
    assert result.exit_code == 1
    assert says in result.stderr
    assert "Traceback" not in result.output
