"""Requests made up from the description of every route, by every role: none brings the program down.

The requests are Schemathesis's. Each is sent as it was made up, and once more to an address that exists.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import Case

from registry.store import start_registry
from reports.web.access import Role
from reports.web.jobs import Jobs
from tests.reports.audit.conftest import QUARTER, records
from tests.reports.web.browsing import HOST, Browser, application_over
from tests.reports.web.test_matrix import FILLED
from tests.small_registry import small_registry

EXAMPLES = 4


@pytest.fixture(scope="module")
def filled_application(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    """Over a registry with records; a job is noted and never begun."""
    folder = tmp_path_factory.mktemp("any") / "registry"
    start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")
    with small_registry(folder, **records()), pytest.MonkeyPatch.context() as patch:
        patch.setattr(Jobs, "start", lambda *_: secrets.token_hex(16))
        yield application_over(folder)


@pytest.mark.slow
@pytest.mark.parametrize("role", [None, *Role])
def test_no_request_brings_it_down(filled_application: FastAPI, role: Role | None) -> None:
    operations = schemathesis.openapi.from_dict(filled_application.openapi()).get_all_operations()
    asked = 0
    for found in operations:
        operation = found.ok()

        @settings(
            max_examples=EXAMPLES,
            database=None,
            deadline=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def ask(case: Case) -> None:
            nonlocal asked
            for known in ({}, {**FILLED, "quarter": QUARTER}):
                case.path_parameters.update({name: known[name] for name in case.path_parameters if name in known})
                asked += 1
                status = _status(Browser(filled_application, role), case)
                assert status < 500, (role, case.method, case.formatted_path)

        ask()
    assert asked > 300


def _status(browser: Browser, case: Case) -> int:
    sent: dict[str, Any] = case.as_transport_kwargs(base_url=f"http://{HOST}")
    sent.pop("cookies", None)
    sent["headers"] = {**sent["headers"], "x-csrf-token": browser.csrf}
    if isinstance(sent.get("data"), bytes | str):
        sent["content"] = sent.pop("data")
    answer = browser.client.request(**sent)
    return int(answer.status_code)
