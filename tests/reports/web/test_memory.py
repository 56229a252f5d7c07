"""What pages computed is kept until the registry changes, and no longer. Expected values: by hand."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from registry import GraftledgerError, Registry
from registry.settings import SETTINGS_FILE
from registry.store import open_registry
from reports.web import memory
from reports.web.context import Web, remembered
from reports.web.memory import Memory
from tests.small_registry import insert_rows


def patients(web: Web) -> int:
    def count(registry: Registry) -> int:
        return int(registry.connection.execute("select count(*) from patient").fetchall()[0][0])

    return remembered(web, "patients", count)


def test_a_change_of_the_registry_is_seen_at_once(empty_registry: Path) -> None:
    web = Web(empty_registry, "Test practice")
    assert patients(web) == 0
    with open_registry(empty_registry, read_only=False) as registry:
        insert_rows(registry, "patient", [{"patient_key": "p1"}])
        assert patients(web) == 0
    assert patients(web) == 1


def test_a_change_of_the_settings_is_seen_at_once(empty_registry: Path) -> None:
    web = Web(empty_registry, "Test practice")

    def sites() -> tuple[str, ...]:
        return remembered(web, "sites", lambda registry: registry.settings.sites)

    assert sites() == ("A", "B")
    path = empty_registry / SETTINGS_FILE
    path.write_text(path.read_text(encoding="utf-8").replace('["A", "B"]', '["A", "B", "C"]'), encoding="utf-8")
    assert sites() == ("A", "B", "C")


def test_what_is_kept_is_made_once_and_a_refusal_is_not_kept(empty_registry: Path) -> None:
    kept, made = Memory(), list[int]()

    def make() -> int:
        made.append(1)
        if len(made) == 1:
            raise GraftledgerError("not now")
        return len(made)

    with pytest.raises(GraftledgerError):
        kept.get(empty_registry, "key", make)
    assert [kept.get(empty_registry, "key", make) for _ in range(3)] == [2, 2, 2]
    assert kept.get(empty_registry, "other", make) == 3


def test_many_who_ask_at_once_cost_one_computation(empty_registry: Path) -> None:
    kept, made = Memory(), list[int]()

    def make() -> int:
        time.sleep(0.05)
        made.append(1)
        return 7

    found = list[int]()
    threads = [threading.Thread(target=lambda: found.append(kept.get(empty_registry, "k", make))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (found, made) == ([7] * 8, [1])


def test_what_was_used_least_lately_goes_first(empty_registry: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "MOST", 2)
    kept, made = Memory(), list[str]()

    def ask(key: str) -> None:
        kept.get(empty_registry, key, lambda: made.append(key))

    for key in ("a", "b", "a", "c", "a", "b"):
        ask(key)
    assert made == ["a", "b", "c", "b"]


def test_a_missing_file_is_a_state_of_its_own(empty_registry: Path) -> None:
    kept = Memory()
    assert kept.get(empty_registry, "k", lambda: 1) == 1
    os.remove(empty_registry / SETTINGS_FILE)
    assert kept.get(empty_registry, "k", lambda: 2) == 2


def test_what_two_functions_make_is_kept_apart_under_one_key(empty_registry: Path) -> None:
    web = Web(empty_registry, "Test practice")
    assert remembered(web, "x", lambda registry: registry.settings.practice) == "Test practice"
    assert remembered(web, "x", lambda registry: registry.settings.sites) == ("A", "B")
