"""Pictures of the pages of the web application, each at three widths beside each other, for the docs.

    graftledger demo demo
    python benchmarks/web_pictures.py demo/registry docs/images/web

The registry must be one of made-up records: what it holds is in the pictures. It is copied first, and stays as it is.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import threading
import time
from base64 import b64encode
from pathlib import Path

import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright

from registry.store import open_registry
from reports.web.access import Role
from reports.web.accounts import accounts, add_account
from reports.web.application import create_application
from reports.web.sessions import start_session

WIDTHS, HEIGHT, SCALE = (390, 1280, 1920), 900, 0.5
QUARTER = "2026-Q3"
JOB_MILLISECONDS = 300_000
PAGES = {
    "sign-in": (None, "/sign-in"),
    "first-page": (Role.DIRECTOR, "/"),
    "records": (Role.DATA_MANAGER, "/records"),
    "quarters": (Role.DIRECTOR, "/quarter"),
    "quarter": (Role.DIRECTOR, f"/quarter/{QUARTER}"),
    "audit": (Role.DIRECTOR, f"/quarter/{QUARTER}/audit"),
    "cases": (Role.DIRECTOR, f"/quarter/{QUARTER}/cases/folliculitis"),
    "actions": (Role.DIRECTOR, f"/quarter/{QUARTER}/actions"),
    "my-outcomes": (Role.SURGEON, "/my-outcomes"),
    "consultation": (Role.SURGEON, "/consultation"),
    "cohorts": (Role.RESEARCHER, "/cohorts"),
    "visits-due": (Role.DATA_MANAGER, "/visits-due"),
    "expectations": (Role.RESEARCHER, "/expectations"),
    "status": (Role.DIRECTOR, "/status"),
    "access-log": (Role.DIRECTOR, "/access-log"),
}
"""By name of the picture: who looks, and at what."""
PREPARED = (
    (Role.DIRECTOR, f"/quarter/{QUARTER}", "Prepare the audit", "Read the audit"),
    (Role.SURGEON, "/my-outcomes", "Prepare the page", "PDF"),
)
"""Who presses what, where, and the link that tells that it is done."""


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("registry", type=Path)
    parser.add_argument("out", type=Path)
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work, sync_playwright() as playwright:
        folder = Path(work) / "registry"
        shutil.copytree(given.registry, folder, ignore=shutil.ignore_patterns("web*"))
        address = serve(folder)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        pages = {role: signed_in(browser, folder, address, role) for role in (None, *Role)}
        for role, path, press, done in PREPARED:
            pages[role].goto(address + path)
            pages[role].get_by_role("button", name=press).click()
            pages[role].get_by_role("link", name=done, exact=True).wait_for(timeout=JOB_MILLISECONDS)
        for name, (role, path) in PAGES.items():
            picture(pages[role], address + path, given.out / f"{name}.png")


def serve(folder: Path) -> str:
    """Serve the folder from a thread, with an account a role; returns its address."""
    application = create_application(folder, hosts=["127.0.0.1"])
    with open_registry(folder) as registry:
        surgeons = registry.settings.surgeons
    for role in Role:
        add_account(
            folder,
            role.value.replace(" ", "-"),
            role,
            surgeon_code=surgeons[0] if role is Role.SURGEON else None,
            surgeons=surgeons,
            levels=["anonymous"] if role is Role.RESEARCHER else [],
        )
    server = uvicorn.Server(uvicorn.Config(application, port=0, log_level="warning", ws="none"))
    threading.Thread(target=server.run, daemon=True).start()
    while not server.started:
        time.sleep(0.05)
    return f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"


def signed_in(browser: Browser, folder: Path, address: str, role: Role | None) -> Page:
    """A page of a browser in which this role is signed in."""
    context = browser.new_context()
    if role is not None:
        account = next(one for one in accounts(folder) if one.role is role)
        context.add_cookies(
            [{"name": "graftledger", "value": start_session(folder, account.account_id), "url": address}]
        )
    return context.new_page()


def picture(page: Page, address: str, path: Path) -> None:
    """One file with the page at each width."""
    shown = []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": HEIGHT})
        answer = page.goto(address)
        assert answer is not None
        assert answer.status == 200, address
        image = b64encode(page.screenshot()).decode()
        shown.append(f'<img src="data:image/png;base64,{image}" width="{width * SCALE:.0f}" alt="">')
    sheet = page.context.new_page()
    sheet.set_viewport_size({"width": int(sum(WIDTHS) * SCALE) + 80, "height": int(HEIGHT * SCALE) + 40})
    style = "body{margin:20px;background:#e9e8e4;display:flex;gap:20px}img{display:block;box-shadow:0 0 0 1px #c9c7c1}"
    sheet.set_content(f"<style>{style}</style>{''.join(shown)}")
    sheet.screenshot(path=path)
    sheet.close()


if __name__ == "__main__":
    main()
