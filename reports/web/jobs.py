"""Work that takes longer than a page: done by a second process of this program, noted in the state file.

A job runs beside the server and ends with it: the process stops as soon as the pipe from its server closes, so a killed
server leaves no work behind that nobody looks after. What a job found is kept in the state file and in its own folder,
and is there after a reload or a restart. While a job lives, its server marks every second or two that it has seen it;
a job that nobody has seen for a while was interrupted.
"""

from __future__ import annotations

import json
import secrets
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from registry.database_file import remove_leftovers
from registry.errors import Fault, GraftledgerError

from .state import PAGES_FOLDER, open_state, private_folder

_TABLE = """
create table if not exists job (
    id text primary key,
    kind text not null,
    owner integer not null references accounts (account_id),
    request text not null,
    status text not null,
    progress text not null default '',
    result text,
    asked_at real not null,
    ended_at real,
    seen_at real not null
) strict
"""
JOBS_FOLDER = "jobs"
BEAT_SECONDS = 2.0
LOST_AFTER_SECONDS = 10.0
KEPT_DAYS = 30
AT_ONCE = 2
MOST_LIVE = 6
"""Jobs of one account that may be waiting or running: one account alone must not fill the queue."""


class Status(StrEnum):
    """How a job stands."""

    QUEUED = "queued"
    RUNNING = "running"
    DONE = "done"
    REFUSED = "refused"  # in words that a user can act on
    FAILED = "failed"  # a fault of the program
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"  # its server ended first


LIVE = (Status.QUEUED, Status.RUNNING)


@dataclass(frozen=True)
class Task:
    """Something that a job can do.

    function: `module:name` of (registry folder, request, folder for files, progress) -> result; it runs in a process of
    its own. writes: whether it changes the registry, so that one waits for another.
    """

    function: str
    writes: bool = False


@dataclass(frozen=True)
class Job:
    """A job as it stands.

    owner: number of the account that asked. result: what it found; where it was refused, `{"faults": [...]}`.
    asked_at, ended_at: seconds since 1970.
    """

    id: str
    kind: str
    owner: int
    request: Mapping[str, Any]
    status: Status
    progress: str
    result: Mapping[str, Any]
    asked_at: float
    ended_at: float | None

    @property
    def is_live(self) -> bool:
        return self.status in LIVE


_COLUMNS = "id, kind, owner, request, status, progress, result, asked_at, ended_at"


class Jobs:
    """The jobs of one registry, and those that this server runs."""

    def __init__(self, registry: Path, tasks: Mapping[str, Task]) -> None:
        """registry: its folder, with a state file. tasks: by kind."""
        self._registry, self._tasks = registry, tasks
        self._files = private_folder(registry / PAGES_FOLDER / JOBS_FOLDER)
        self._slots, self._writer = threading.Semaphore(AT_ONCE), threading.Lock()
        self._live: dict[str, subprocess.Popen[str] | None] = {}
        self._stopped: dict[str, Status] = {}
        self._lock = threading.Lock()
        self._closing = threading.Event()
        with open_state(registry) as state:
            state.execute(_TABLE)
        self._forget_old()
        remove_leftovers(registry)
        self._beating: threading.Thread | None = None

    def start(self, kind: str, request: Mapping[str, Any], owner: int) -> str:
        """Begin a job of a kind. Returns its id, which cannot be guessed.

        Raises: GraftledgerError where as many of this owner's jobs as may are waiting or running.
        """
        if sum(job.is_live for job in self.listed(owner)) >= MOST_LIVE:
            raise GraftledgerError(
                Fault(
                    f"{MOST_LIVE} pieces of work are under way for this account.",
                    mend="Wait for one to end, or stop it.",
                )
            )
        task, job_id, now = self._tasks[kind], secrets.token_hex(16), time.time()
        with open_state(self._registry) as state:
            state.execute(
                "insert into job (id, kind, owner, request, status, asked_at, seen_at) values (?, ?, ?, ?, ?, ?, ?)",
                [job_id, kind, owner, json.dumps(request), Status.QUEUED, now, now],
            )
        with self._lock:
            self._live[job_id] = None
            if self._beating is None:
                self._beating = threading.Thread(target=self._beat, name="jobs", daemon=True)
                self._beating.start()
        threading.Thread(target=self._look_after, args=(job_id, task, request), name=job_id, daemon=True).start()
        return job_id

    def find(self, job_id: str) -> Job | None:
        """The job of an id; None where there is none."""
        return next(iter(self._select("id = ?", [job_id])), None)

    def listed(self, owner: int | None = None, kind: str | None = None) -> list[Job]:
        """Jobs, the latest first; of one owner and of one kind where these are given."""
        return self._select("(?1 is null or owner = ?1) and (?2 is null or kind = ?2)", [owner, kind])

    def cancel(self, job_id: str) -> None:
        """Stop a job; one that has ended stays as it is."""
        self._stop(job_id, Status.CANCELLED)

    def folder(self, job_id: str) -> Path:
        """Where the files of a job stand."""
        return self._files / job_id

    def close(self) -> None:
        """Stop all jobs, as the server ends."""
        self._closing.set()
        with self._lock:
            live = list(self._live)
        for job_id in live:
            self._stop(job_id, Status.INTERRUPTED)

    def _select(self, where: str, values: list[Any]) -> list[Job]:
        with self._lock:
            own = list(self._live)
        with open_state(self._registry) as state:
            lost = state.execute(
                f"update job set status = '{Status.INTERRUPTED}', ended_at = seen_at "
                f"where status in ('{Status.QUEUED}', '{Status.RUNNING}') and seen_at < ? "
                f"and id not in ({', '.join('?' * len(own))}) returning id",
                [time.time() - LOST_AFTER_SECONDS, *own],
            ).fetchall()
            rows = state.execute(f"select {_COLUMNS} from job where {where} order by asked_at desc", values).fetchall()
        for (job_id,) in lost:
            shutil.rmtree(self.folder(job_id), ignore_errors=True)
        return [
            Job(
                row[0], row[1], row[2], json.loads(row[3]), Status(row[4]), row[5], json.loads(row[6] or "{}"), *row[7:]
            )
            for row in rows
        ]

    def _set(self, job_id: str, **values: Any) -> None:
        names = ", ".join(f"{name} = ?" for name in values)
        with open_state(self._registry) as state:
            state.execute(f"update job set {names}, seen_at = ? where id = ?", [*values.values(), time.time(), job_id])

    def _beat(self) -> None:
        while not self._closing.wait(BEAT_SECONDS):
            with self._lock:
                live = list(self._live)
            if live:
                marks = ", ".join("?" * len(live))
                with (
                    suppress(sqlite3.OperationalError),
                    open_state(self._registry) as state,
                ):  # the next beat tells it again
                    state.execute(f"update job set seen_at = ? where id in ({marks})", [time.time(), *live])

    def _stop(self, job_id: str, status: Status) -> None:
        with self._lock:
            if job_id not in self._live:
                return
            self._stopped.setdefault(job_id, status)
            if process := self._live[job_id]:
                process.kill()
            else:
                self._live.pop(job_id)
        self._set(job_id, status=status, ended_at=time.time())

    def _look_after(self, job_id: str, task: Task, request: Mapping[str, Any]) -> None:
        """Wait for its turn, run the process, and note what it says."""
        if task.writes:
            self._writer.acquire()
        self._slots.acquire()
        try:
            process = self._begin(job_id)
            if process is None:
                return
            folder = self.folder(job_id)
            folder.mkdir(mode=0o700, parents=True)
            ended = self._listen(job_id, process, task, request, folder)
            if ended["status"] != Status.DONE:
                shutil.rmtree(folder, ignore_errors=True)
                if task.writes:
                    remove_leftovers(self._registry)
            self._set(job_id, **ended, ended_at=time.time())
        finally:
            with self._lock:
                self._live.pop(job_id, None)
            self._slots.release()
            if task.writes:
                self._writer.release()

    def _begin(self, job_id: str) -> subprocess.Popen[str] | None:
        with self._lock:
            if job_id in self._stopped:
                return None
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", "reports.web.job_process"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
            )
            self._live[job_id] = process
        self._set(job_id, status=Status.RUNNING, progress="Starting")
        return process

    def _listen(
        self, job_id: str, process: subprocess.Popen[str], task: Task, request: Mapping[str, Any], folder: Path
    ) -> dict[str, Any]:
        """What became of it: status, and result where there is one."""
        assert process.stdin is not None
        assert process.stdout is not None
        order = {"function": task.function, "registry": str(self._registry), "request": request, "folder": str(folder)}
        ended: dict[str, Any] | None = None
        with suppress(BrokenPipeError), process:  # it may be stopped before it has read its order
            process.stdin.write(json.dumps(order) + "\n")
            process.stdin.flush()
            for line in process.stdout:
                if not line.endswith("\n"):  # it was stopped as it spoke
                    break
                said = json.loads(line)
                if "progress" in said:
                    self._set(job_id, progress=said["progress"])
                else:
                    ended = {"status": said["status"], "result": json.dumps(said["result"])}
                    break
            if ended is None:
                process.kill()
        if ended is not None:
            return ended
        return {"status": self._stopped.get(job_id, Status.FAILED)}

    def _forget_old(self) -> None:
        """Take out what ended long ago, with its files."""
        with open_state(self._registry) as state:
            old = state.execute(
                "delete from job where coalesce(ended_at, seen_at) < ? returning id", [time.time() - KEPT_DAYS * 86_400]
            ).fetchall()
        for (job_id,) in old:
            shutil.rmtree(self.folder(job_id), ignore_errors=True)
