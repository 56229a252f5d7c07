"""Files of counts that are refused, each with its reason."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipelines.site_counts import SiteCounts, counts_text, gather_counts, pool, read_counts
from pipelines.site_counts.files import _checksum
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.small_registry import insert_rows, on, registry_in_memory

Change = Callable[[dict[str, Any]], Any]


@pytest.fixture(scope="module")
def counts() -> SiteCounts:
    with registry_in_memory() as registry:
        fill(registry)
        return gather_counts(registry, by=("sex",), exact_days=True, fewest=1)


def fill(registry: Registry) -> None:
    names = [f"p{number}" for number in range(6)]
    insert_rows(registry, "patient", [{"patient_key": name, "sex": "male"} for name in names])
    firsts = [{"session_key": name, "patient_key": name} for name in names]
    later = {"session_key": "q", "patient_key": "p1", "session_number": 2, "performed_on": on(400)}
    insert_rows(registry, "session", [*firsts, {**later, "session_reason": "density"}])
    counted = {"growing_grafts": 36, "placed_grafts": 40}
    insert_rows(registry, "graft_count", [{"session_key": name, **counted} for name in names])
    insert_rows(registry, "site_period", [{}])


def refusal(path: Path) -> str:
    with pytest.raises(GraftledgerError) as caught:
        read_counts(path)
    assert str(path.parent) not in str(caught.value)
    return str(caught.value)


def changed(counts: SiteCounts, path: Path, change: Change) -> Path:
    """The file with something else in it, and a checksum that fits."""
    content = json.loads(counts_text(counts))
    del content["checksum"]
    change(content)
    path.write_text(json.dumps({**content, "checksum": _checksum(content)}), encoding="utf-8")
    return path


def test_what_is_written_is_read(counts: SiteCounts, tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text(counts_text(counts), encoding="utf-8")
    assert read_counts(path) == counts
    assert counts_text(read_counts(path)) == path.read_text(encoding="utf-8")


def test_a_number_changed_on_the_way_is_found(counts: SiteCounts, tmp_path: Path) -> None:
    text = counts_text(counts).replace('"counted": 6', '"counted": 7')
    assert text != counts_text(counts)
    (tmp_path / "a.json").write_text(text, encoding="utf-8")
    assert "checksum does not fit" in refusal(tmp_path / "a.json")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no JSON"),
        (b"\xff\xfe\x00", "no JSON"),
        (b"[" * 100_000, "no JSON"),
        (b"[1]", "no file of counts"),
        (b'{"meta": {}}', "no file of counts"),
        (b'{"format": "graftledger counts", "version": 2}', "Update graftledger"),
        (b'{"format": "graftledger counts", "version": 1}', "checksum"),
    ],
)
def test_other_files_are_refused(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "a.json").write_bytes(content)
    assert words in refusal(tmp_path / "a.json")


def test_a_torn_or_missing_file_is_refused(counts: SiteCounts, tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text(counts_text(counts)[:-200], encoding="utf-8")
    assert "not all of it" in refusal(tmp_path / "a.json")
    assert "cannot be read" in refusal(tmp_path / "none.json")


def first_wait(content: dict[str, Any]) -> dict[str, Any]:
    wait: dict[str, Any] = content["next_session"][0]
    return wait


CHANGES: dict[str, tuple[Change, str]] = {
    "unknown key": (lambda c: c.update(patients=["p1"]), "patients"),
    "missing part": (lambda c: c.pop("graft_survival"), "graft_survival"),
    "negative": (lambda c: first_wait(c)["patients"].update(died=-1), "next_session.0.patients"),
    "beyond any number of people": (lambda c: first_wait(c)["patients"].update(died=2**60), "less than"),
    "no number": (lambda c: first_wait(c)["patients"].update(counted="6"), "next_session.0.patients.counted"),
    "a fraction": (lambda c: first_wait(c)["patients"].update(counted=6.5), "next_session.0.patients.counted"),
    "no such reason": (lambda c: first_wait(c)["patients"].update(tired=1), "there is no reason tired"),
    "group twice": (lambda c: c["next_session"].append(first_wait(c)), "a group stands twice in next_session"),
    "group of two": (lambda c: first_wait(c).update(group=["male", "x"]), "not one value for each field"),
    "columns differ": (lambda c: first_wait(c)["here"]["censored"].pop(), "differ in length"),
    "days not ascending": (lambda c: first_wait(c)["here"]["day"].reverse(), "do not ascend"),
    "other than counted": (lambda c: first_wait(c)["patients"].update(counted=5), "other than the patients counted"),
    "enters after leaving": (
        lambda c: first_wait(c)["here"].update(entered=[0] * (len(first_wait(c)["here"]["day"]) - 1) + [3]),
        "contradict",
    ),
    "no such ending": (
        lambda c: first_wait(c)["here"]["events"].update(x=first_wait(c)["here"]["events"].pop("death")),
        "contradict",
    ),
    "impossible sums": (lambda c: c["graft_survival"][0]["sums"].update(xy=10**6), "contradict"),
    "more events than sessions": (
        lambda c: c["complications"][0]["events"].update(counted=10**6) or c["complications"][0]["n"].update(counted=1),
        "contradict",
    ),
    "other windows": (lambda c: c["asked"].update(windows=["0-8"]), "its windows are not those"),
    "no such field": (lambda c: c["asked"].update(by=["shoe"]), "cannot be split by 'shoe'"),
    "no site": (lambda c: c.update(sites=[]), "sites"),
}


@pytest.mark.parametrize("name", CHANGES)
def test_what_the_format_does_not_know_or_cannot_be_true_is_refused(
    counts: SiteCounts, tmp_path: Path, name: str
) -> None:
    change, words = CHANGES[name]
    assert words in refusal(changed(counts, tmp_path / "a.json", change))


def other(counts: SiteCounts, **change: Any) -> SiteCounts:
    """Counts of another registry."""
    return counts.model_copy(update={"snapshot": "another", "sites": ("Z",), **change})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"snapshot": "same"}, "the same records as a.json"),
        ({"sites": ("A", "Z")}, "site A is also in a.json"),
        ({"program": "9"}, "version 9 of graftledger"),
    ],
)
def test_what_would_count_twice_or_otherwise_is_refused(counts: SiteCounts, change: Any, words: str) -> None:
    first = counts.model_copy(update={"snapshot": "same"})
    with pytest.raises(GraftledgerError, match=words):
        pool([("a.json", first), ("b.json", other(counts, **change))])


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("by", (), "the fields that the counts are split by"),
        ("age_edges", (30, 40), "age bands"),
        ("mature_window", (300, 500), "mature count"),
    ],
)
def test_mixed_definitions_are_refused(counts: SiteCounts, field: str, value: Any, words: str) -> None:
    second = other(counts, asked=counts.asked.model_copy(update={field: value}))
    with pytest.raises(GraftledgerError, match=words) as caught:
        pool([("a.json", counts), ("b.json", second)])
    assert "b.json" in str(caught.value)


def test_nothing_to_pool_is_said() -> None:
    with pytest.raises(GraftledgerError, match="at least one"):
        pool([])


def test_records_added_later_make_another_snapshot(counts: SiteCounts) -> None:
    """So an export of the same site from another day is caught by its site, not by its records."""
    with registry_in_memory() as registry:
        fill(registry)
        insert_rows(registry, "patient", [{"patient_key": "new"}])
        later = gather_counts(registry, by=("sex",), exact_days=True, fewest=1)
    assert later.snapshot != counts.snapshot
    with pytest.raises(GraftledgerError, match="site A is also in"):
        pool([("a.json", counts), ("b.json", later)])
