"""The progress line: words on a terminal, nothing in a pipe."""

from __future__ import annotations

import time

import pytest

from reports.command_line import _progress
from reports.command_line._progress import progress_line


@pytest.fixture(autouse=True)
def no_delay(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_progress, "DELAY_SECONDS", 0.0)


def test_a_pipe_stays_quiet(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TTY_COMPATIBLE", "0")
    with progress_line() as progress:
        progress("Reading visit.csv")
        time.sleep(0.1)
    assert capsys.readouterr() == ("", "")


def test_a_terminal_is_told_on_standard_error(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    with progress_line() as progress:
        progress("Reading visit.csv")
        time.sleep(0.3)
    out, err = capsys.readouterr()
    assert out == ""
    assert "Reading visit.csv" in err


def test_a_short_command_says_nothing(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    monkeypatch.setattr(_progress, "DELAY_SECONDS", 60.0)
    with progress_line() as progress:
        progress("Reading visit.csv")
    assert capsys.readouterr() == ("", "")
