"""A server that is killed while it takes a delivery in: it comes back, says so, and the registry is as it was."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from registry.store import open_registry, start_registry
from registry.verification import verify
from reports.web.access import Role
from reports.web.accounts import add_account
from reports.web.sessions import start_session, visitor_of
from reports.web.state import open_state, prepare_state
from synthetic_data import SITES, SURGEONS, synthesise
from tests.reports.web.browsing import said

pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.name != "posix", reason="kills by signal")]


def until(condition: Callable[[], object], seconds: float = 90.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come about in time"
        time.sleep(0.02)


@contextmanager
def serving(folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A server of its own process, and its address."""
    with subprocess.Popen([sys.executable, "-c", SERVER, str(folder)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process, process.stdout.readline().strip()
        finally:
            process.kill()


SERVER = """
import sys, threading, time, uvicorn
from pathlib import Path
from reports.web.application import create_application

server = uvicorn.Server(uvicorn.Config(create_application(Path(sys.argv[1])), port=0, log_level="error"))
threading.Thread(target=server.run, daemon=True).start()
while not server.started:
    time.sleep(0.02)
print(f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}", flush=True)
time.sleep(600)
"""


def job_row(folder: Path, kind: str) -> tuple[str, str]:
    with open_state(folder) as state:
        row = state.execute("select status, progress from job where kind = ? order by asked_at desc", [kind]).fetchone()
    return (row["status"], row["progress"]) if row else ("none", "")


def test_a_server_killed_in_an_intake_comes_back_clean(tmp_path: Path) -> None:
    folder = tmp_path / "registry"
    start_registry(folder, list(SITES), list(SURGEONS), "Test practice")
    prepare_state(folder)
    add_account(folder, "max", Role.DATA_MANAGER)
    token = start_session(folder, 1)
    visitor = visitor_of(folder, token)
    assert visitor is not None
    made = synthesise(tmp_path / "records", patients=400, seed=5)
    files = [("files", (path.name, path.read_bytes())) for path in sorted((made.folder / SITES[0]).iterdir())]
    with open_registry(folder) as registry:
        before = registry.snapshot

    def browser(address: str) -> httpx.Client:
        return httpx.Client(base_url=address, cookies={"graftledger": token}, timeout=60)

    with serving(folder) as (server, address), browser(address) as one:
        sent = one.post(f"/records?csrf={visitor.csrf}", data={"site": SITES[0]}, files=files)
        page = sent.headers["location"]
        until(lambda: "Take it in" in one.get(page).text)
        one.post(f"{page}/intake", data={"csrf": visitor.csrf})
        until(lambda: job_row(folder, "intake")[1] not in ("", "Starting"))
        server.send_signal(signal.SIGKILL)
        server.wait()
    assert job_row(folder, "intake")[0] == "running"
    with open_registry(folder) as registry:
        assert registry.snapshot == before
    with serving(folder) as (_, address), browser(address) as one:
        with open_registry(folder) as registry:
            assert registry.snapshot == before
            assert not verify(registry)
        until(lambda: "It was interrupted" in said(one.get(page).text), 30)
        assert job_row(folder, "intake")[0] == "interrupted"
        one.post(f"{page}/intake", data={"csrf": visitor.csrf})
        until(lambda: job_row(folder, "intake")[0] not in ("queued", "running"))
        assert re.search(r"Intake 1 is done\.", said(one.get(page).text))
    with open_registry(folder) as registry:
        assert registry.snapshot != before
        assert not verify(registry)
    assert [path.name for path in folder.iterdir() if "unfinished" in path.name] == []
