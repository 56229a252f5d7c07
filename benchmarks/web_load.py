"""Readers of the web application while an intake runs: how long a page takes, whether any fails, whether rows are lost.

    python benchmarks/web_load.py --patients 100000 --readers 20 --seconds 60

A fictional registry is made (or one kept by --keep is taken), served by `graftledger serve` on this machine, and read
by as many people as asked for, each with a role's own pages in turn and a pause between two pages. Meanwhile the data
manager sends a further delivery and has it taken in. Everything runs on one machine, readers included.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

import httpx

from registry.store import open_registry
from reports.web.access import Role
from reports.web.accounts import accounts, add_account
from reports.web.jobs import LIVE
from reports.web.sessions import start_session, visitor_of
from reports.web.state import open_state, prepare_state

PAGES = {
    Role.DIRECTOR: ("/", "/records", "/quarter", "/cohorts", "/visits-due", "/status", "/access-log"),
    Role.SURGEON: ("/", "/my-outcomes", "/consultation", "/expectations"),
    Role.RESEARCHER: ("/", "/cohorts", "/expectations"),
    Role.DATA_MANAGER: ("/", "/records", "/records/held-back", "/visits-due", "/status"),
}
TABLES = ("patient", "session", "visit", "complication", "graft_count")


def program(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-c", "from reports.command_line import main; main()", *map(str, arguments)]


def make_registry(folder: Path, patients: int, seed: int = 1) -> Path:
    """A registry of that many fictional patients, with one mistake in a hundred rows."""
    made, registry = folder / "records", folder / "registry"
    subprocess.run(program("synthesise", "--patients", str(patients), "--out", made, "--errors", "0.01"), check=True)
    sites = sorted(path.name for path in made.iterdir() if path.is_dir())
    surgeons = ",".join(f"S{number:02}" for number in range(1, 31))
    subprocess.run(program("start", registry, "--sites", ",".join(sites), "--surgeons", surgeons), check=True)
    subprocess.run(
        program("intake", *(made / site for site in sites), "--registry", registry),
        check=True,
        stdout=subprocess.DEVNULL,
    )
    return registry


def counts(registry: Path) -> dict[str, int]:
    with open_registry(registry) as opened:
        return {table: opened.connection.execute(f"select count(*) from {table}").fetchall()[0][0] for table in TABLES}


def signed_in(registry: Path, role: Role, address: str) -> tuple[httpx.Client, str]:
    """A client with a session of the role, and the token of its forms."""
    name = f"bench-{role.value.replace(' ', '-')}"
    known = {account.name: account for account in accounts(registry)}
    if name not in known:
        with open_registry(registry) as opened:
            surgeons = opened.settings.surgeons
        add_account(
            registry,
            name,
            role,
            surgeon_code=surgeons[0] if role is Role.SURGEON else None,
            surgeons=surgeons,
            levels=["anonymous"] if role is Role.RESEARCHER else [],
        )
        known = {account.name: account for account in accounts(registry)}
    token = start_session(registry, known[name].account_id)
    visitor = visitor_of(registry, token)
    assert visitor is not None
    return httpx.Client(base_url=address, cookies={"graftledger": token}, timeout=60), visitor.csrf


def read(
    client: httpx.Client,
    role: Role,
    seed: int,
    end: float,
    think: float,
    took: dict[str, list[float]],
    faults: list[str],
) -> None:
    """One reader until the end."""
    draw = random.Random(seed)  # noqa: S311  (no secret)
    time.sleep(draw.uniform(0, think))
    while time.monotonic() < end:
        path = draw.choice(PAGES[role])
        began = time.monotonic()
        try:
            status = client.get(path).status_code
        except httpx.HTTPError as error:
            faults.append(f"{path}: {type(error).__name__}")
            continue
        took[path].append(time.monotonic() - began)
        if status != 200:
            faults.append(f"{path}: {status}")
        time.sleep(draw.uniform(0.5 * think, 1.5 * think))


def send_and_take_in(client: httpx.Client, csrf: str, files: list[Path], site: str) -> None:
    """What the data manager does: send a delivery, wait until it was looked at, have it taken in."""
    sent = client.post(
        f"/records?csrf={csrf}",
        data={"site": site},
        files=[("files", (path.name, path.read_bytes())) for path in files],
    )
    assert sent.status_code == 303, sent.text
    page = sent.headers["location"]
    while "Take it in" not in client.get(page).text:
        time.sleep(1)
    assert client.post(f"{page}/intake", data={"csrf": csrf}).status_code == 303


def wait_for_jobs(registry: Path) -> list[tuple[str, str, float]]:
    while True:
        with open_state(registry) as state:
            rows = state.execute("select kind, status, ended_at - asked_at from job order by asked_at").fetchall()
        if not any(row[1] in LIVE for row in rows):
            return [tuple(row) for row in rows]
        time.sleep(1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--patients", type=int, default=20_000)
    parser.add_argument("--more", type=int, default=2_000, help="patients of the delivery taken in meanwhile")
    parser.add_argument("--readers", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--think", type=float, default=2.0, help="seconds between two pages of a reader, on average")
    parser.add_argument("--keep", type=Path, help="folder that keeps the registry from one run to the next")
    asked = parser.parse_args()
    folder = asked.keep or Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "registry").exists():
        make_registry(folder, asked.patients)
    run = folder / "run"
    shutil.rmtree(run, ignore_errors=True)
    registry = shutil.copytree(folder / "registry", run / "registry")
    more = run / "more"
    subprocess.run(
        program("synthesise", "--patients", str(asked.more), "--seed", "77", "--out", more),
        check=True,
        stdout=subprocess.DEVNULL,
    )
    site = sorted(path.name for path in more.iterdir() if path.is_dir())[0]
    prepare_state(registry)
    before = counts(registry)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    server = subprocess.Popen(
        program("serve", "--registry", registry, "--port", str(port)),
        env={**os.environ, "PYTHONWARNINGS": "ignore"},
        stdout=subprocess.DEVNULL,
    )
    took: dict[str, list[float]] = defaultdict(list)
    faults: list[str] = []
    try:
        roles = [list(Role)[number % len(Role)] for number in range(asked.readers)]
        clients = [signed_in(registry, role, address)[0] for role in roles]
        manager, csrf = signed_in(registry, Role.DATA_MANAGER, address)
        while True:
            try:
                manager.get("/")
                break
            except httpx.ConnectError:
                time.sleep(0.2)
        for role in Role:  # what is loaded at first use is loaded
            client = signed_in(registry, role, address)[0]
            for path in PAGES[role]:
                client.get(path)
        end = time.monotonic() + asked.seconds
        readers = [
            threading.Thread(target=read, args=(client, role, number, end, asked.think, took, faults))
            for number, (client, role) in enumerate(zip(clients, roles, strict=True))
        ]
        for reader in readers:
            reader.start()
        send_and_take_in(manager, csrf, sorted((more / site).iterdir()), site)
        for reader in readers:
            reader.join()
        jobs = wait_for_jobs(registry)
    finally:
        server.terminate()
        server.wait()
    after = counts(registry)
    print(f"{asked.patients:,} patients, {asked.readers} readers, {asked.seconds:.0f} s, {asked.think} s between pages")
    everything = [seconds for each in took.values() for seconds in each]
    for path, seconds in [*sorted(took.items()), ("all", everything)]:
        ordered = sorted(seconds)
        p95 = ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))]
        print(
            f"{path:<22}{len(ordered):>6} pages  median {statistics.median(ordered):6.3f} s  "
            f"p95 {p95:6.3f} s  longest {ordered[-1]:6.3f} s"
        )
    print(f"faults: {len(faults)} {faults[:5]}")
    for kind, status, lasted in jobs:
        print(f"{kind}: {status} after {lasted:.1f} s")
    print("; ".join(f"{table} {before[table]:,} -> {after[table]:,}" for table in TABLES))


if __name__ == "__main__":
    main()
