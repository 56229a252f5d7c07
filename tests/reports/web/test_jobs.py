"""Jobs: a process beside the server, what it says on the way, and what stays when either of them ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from registry.errors import GraftledgerError
from reports.web import jobs
from reports.web.jobs import Job, Jobs, Status, Task
from reports.web.state import open_state, prepare_state

WORK = """
import os, time
from pathlib import Path
from registry.errors import Fault, GraftledgerError

def add(registry, request, folder, progress):
    progress("Adding")
    print("a library talks")
    (folder / "sum.txt").write_text(str(sum(request["numbers"])))
    return {"sum": sum(request["numbers"]), "nice": os.nice(0)}

def refuse(registry, request, folder, progress):
    raise GraftledgerError(Fault("too large.", "a.csv", row=3, mend="Split it."), "And more.")

def fail(registry, request, folder, progress):
    raise ValueError("a value of a record")

def die(registry, request, folder, progress):
    os._exit(3)

def wait(registry, request, folder, progress):
    (folder / "half").write_text("half")
    Path(request["begun"]).write_text(str(os.getpid()))
    progress("Waiting")
    time.sleep(60)
    return {}

def note(registry, request, folder, progress):
    with open(request["log"], "a") as log:
        log.write(f"{request['name']} in\\n")
        log.flush()
        time.sleep(0.3)
        log.write(f"{request['name']} out\\n")
    return {}
"""
TASKS = {name: Task(f"work_of_tests:{name}") for name in ("add", "refuse", "fail", "die", "wait")}
TASKS["note"] = Task("work_of_tests:note", writes=True)
OWNER = 1


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "modules").mkdir()
    (tmp_path / "modules" / "work_of_tests.py").write_text(WORK, encoding="utf-8")
    path = (str(tmp_path / "modules"), os.environ.get("PYTHONPATH", ""))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, path)))
    registry = tmp_path / "registry"
    registry.mkdir()
    prepare_state(registry)
    with open_state(registry) as state:
        state.execute("insert into accounts (account_id, name, role, created_at) values (1, 'one', 'director', '')")
        state.execute("insert into accounts (account_id, name, role, created_at) values (2, 'two', 'researcher', '')")
    return registry


@pytest.fixture
def running(folder: Path) -> Iterator[Jobs]:
    opened = Jobs(folder, TASKS)
    yield opened
    opened.close()


def until(condition: Callable[[], object], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come about in time"
        time.sleep(0.02)


def ended(running: Jobs, job_id: str) -> Job:
    until(lambda: (job := running.find(job_id)) is not None and not job.is_live)
    job = running.find(job_id)
    assert job is not None
    return job


def test_a_job_gives_its_result_and_its_files(running: Jobs, folder: Path) -> None:
    job = ended(running, running.start("add", {"numbers": [1, 2, 3]}, OWNER))
    assert (job.status, job.result["sum"], job.owner, job.progress) == (Status.DONE, 6, OWNER, "Adding")
    assert (running.folder(job.id) / "sum.txt").read_text() == "6"
    assert job.ended_at is not None
    if os.name == "posix":
        assert job.result["nice"] >= 5
        assert running.folder(job.id).stat().st_mode & 0o077 == 0


def test_a_result_is_there_after_a_restart(folder: Path) -> None:
    first = Jobs(folder, TASKS)
    job = ended(first, first.start("add", {"numbers": [20, 22]}, OWNER))
    first.close()
    second = Jobs(folder, TASKS)
    assert second.find(job.id) == job
    assert (second.folder(job.id) / "sum.txt").read_text() == "42"
    second.close()


def test_a_refusal_comes_in_words(running: Jobs) -> None:
    job = ended(running, running.start("refuse", {}, OWNER))
    assert job.status is Status.REFUSED
    assert job.result["faults"] == ["a.csv, row 3: too large. Split it.", "And more."]
    assert not running.folder(job.id).exists()


def test_a_fault_of_the_program_tells_no_value(running: Jobs, capfd: pytest.CaptureFixture[str]) -> None:
    job = ended(running, running.start("fail", {}, OWNER))
    assert (job.status, job.result) == (Status.FAILED, {"error": "ValueError"})
    said = capfd.readouterr().err
    assert "A job failed: ValueError" in said
    assert "a value of a record" not in said


def test_a_process_that_dies_is_a_failure(running: Jobs) -> None:
    assert ended(running, running.start("die", {}, OWNER)).status is Status.FAILED


def test_a_job_can_be_cancelled_while_it_runs(running: Jobs, tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    job_id = running.start("wait", {"begun": str(begun)}, OWNER)
    until(begun.exists)
    running.cancel(job_id)
    assert ended(running, job_id).status is Status.CANCELLED
    until(lambda: not running.folder(job_id).exists())


def test_a_job_can_be_cancelled_before_its_turn(running: Jobs, tmp_path: Path) -> None:
    before = [running.start("wait", {"begun": str(tmp_path / str(number))}, OWNER) for number in range(jobs.AT_ONCE)]
    until(lambda: all((tmp_path / str(number)).exists() for number in range(jobs.AT_ONCE)))
    last = running.start("add", {"numbers": []}, OWNER)
    found = running.find(last)
    assert found is not None
    assert found.status is Status.QUEUED
    running.cancel(last)
    for job_id in before:
        running.cancel(job_id)
    assert ended(running, before[0]).status is Status.CANCELLED
    assert ended(running, last).status is Status.CANCELLED
    assert ended(running, running.start("add", {"numbers": [1]}, OWNER)).status is Status.DONE


def test_a_server_that_is_slow_does_not_give_its_own_job_up(
    running: Jobs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "LOST_AFTER_SECONDS", -1.0)
    begun = tmp_path / "begun"
    job_id = running.start("wait", {"begun": str(begun)}, OWNER)
    until(begun.exists)
    found = running.find(job_id)
    assert found is not None
    assert found.is_live
    assert running.folder(job_id).exists()
    running.cancel(job_id)


def test_what_has_ended_is_not_cancelled(running: Jobs) -> None:
    job = ended(running, running.start("add", {"numbers": [1]}, OWNER))
    until(lambda: job.id not in running._live)
    running.cancel(job.id)
    assert running.find(job.id) == job


def test_jobs_that_write_wait_for_each_other(running: Jobs, tmp_path: Path) -> None:
    log = tmp_path / "log"
    for job_id in [running.start("note", {"log": str(log), "name": name}, OWNER) for name in "abc"]:
        assert ended(running, job_id).status is Status.DONE
    lines = log.read_text().splitlines()
    assert len(lines) == 6
    assert all(lines[at].split()[0] == lines[at + 1].split()[0] for at in (0, 2, 4))


def test_jobs_are_listed_by_owner_and_kind(running: Jobs) -> None:
    mine = running.start("add", {"numbers": [1]}, OWNER)
    other = running.start("refuse", {}, 2)
    assert [job.id for job in running.listed(OWNER)] == [mine]
    assert [job.id for job in running.listed(kind="refuse")] == [other]
    assert {job.id for job in running.listed()} == {mine, other}
    assert running.find("0" * 32) is None


def test_an_orderly_end_stops_jobs_as_interrupted(folder: Path, tmp_path: Path) -> None:
    first, begun = Jobs(folder, TASKS), tmp_path / "begun"
    job_id = first.start("wait", {"begun": str(begun)}, OWNER)
    until(begun.exists)
    first.close()
    assert ended(first, job_id).status is Status.INTERRUPTED


@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_killed_server_takes_its_jobs_with_it(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = tmp_path / "begun"
    server = (
        "import sys, time; from pathlib import Path; from reports.web.jobs import Jobs, Task\n"
        "jobs = Jobs(Path(sys.argv[1]), {'wait': Task('work_of_tests:wait')})\n"
        "print(jobs.start('wait', {'begun': sys.argv[2]}, 1), flush=True)\n"
        "time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", server, str(folder), str(begun)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        job_id = process.stdout.readline().strip()
        until(lambda: begun.exists() and begun.read_text())
        process.send_signal(signal.SIGKILL)
    until(lambda: _is_gone(int(begun.read_text())), 5)
    monkeypatch.setattr(jobs, "LOST_AFTER_SECONDS", 0.5)
    second = Jobs(folder, TASKS)
    job = ended(second, job_id)
    assert job.status is Status.INTERRUPTED
    assert not second.folder(job_id).exists()
    second.close()


def _is_gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    stat = Path(f"/proc/{pid}/stat")
    return stat.exists() and stat.read_text().rpartition(")")[2].split()[0] == "Z"


def test_what_ended_long_ago_is_forgotten_with_its_files(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = Jobs(folder, TASKS)
    job = ended(first, first.start("add", {"numbers": [1]}, OWNER))
    first.close()
    monkeypatch.setattr(jobs, "KEPT_DAYS", -1)
    second = Jobs(folder, TASKS)
    assert second.find(job.id) is None
    assert not second.folder(job.id).exists()
    second.close()


def test_one_account_alone_does_not_fill_the_queue(running: Jobs, tmp_path: Path) -> None:
    waiting = [running.start("wait", {"begun": str(tmp_path / str(n))}, OWNER) for n in range(jobs.MOST_LIVE)]
    with pytest.raises(GraftledgerError, match="are under way for this account"):
        running.start("add", {"numbers": [1]}, OWNER)
    other = running.start("add", {"numbers": [1]}, 2)
    running.cancel(waiting[0])
    third = running.start("add", {"numbers": [1]}, OWNER)
    for job_id in waiting[1:]:
        running.cancel(job_id)
    assert ended(running, other).status is ended(running, third).status is Status.DONE
