"""What is refused, and that nothing is left behind; the ledger; what an erasure can tell. Expected: by hand."""

from __future__ import annotations

import errno
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.cohorts import define, store_cohort
from pipelines.exports import Level, export_cohort, exports_with, formats_named, level_named, list_exports
from pipelines.exports import run as run_module
from pipelines.patients import erase_patient
from registry import GraftledgerError, open_registry
from tests.small_registry import key, small_registry


def three(folder: Path, consent: str = "audit_and_research") -> None:
    patients = [{"patient_key": f"p{n}", "consent_scope": consent} for n in range(3)]
    sessions = [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(3)]
    with small_registry(folder, patient=patients, session=sessions):
        pass
    with open_registry(folder, read_only=False) as registry:
        store_cohort(registry, "three", define(registry.settings), defined_by="me")


def nothing_left(place: Path, folder: Path) -> bool:
    left = [path.name for path in place.iterdir()] if place.exists() else []
    with open_registry(folder) as registry:
        return left == [] and list_exports(registry) == ()


@pytest.mark.parametrize("level", [Level.LIMITED, Level.ANONYMOUS])
def test_three_patients_are_too_few(empty_registry: Path, tmp_path: Path, level: Level) -> None:
    three(empty_registry)
    with (
        open_registry(empty_registry, read_only=False) as registry,
        pytest.raises(GraftledgerError, match="fewer than 11 patients"),
    ):
        export_cohort(registry, "three", tmp_path / "out" / "x", level=level, exported_by="me")
    assert nothing_left(tmp_path / "out", empty_registry)


def test_three_may_stay_inside(empty_registry: Path, tmp_path: Path) -> None:
    three(empty_registry)
    formats = ("csv", "parquet", "dta", "sav", "xpt")  # most of their columns are empty, and some tables too
    with open_registry(empty_registry, read_only=False) as registry:
        done = export_cohort(registry, "three", tmp_path / "x", level=Level.INTERNAL, formats=formats, exported_by="me")
    assert done.rows["patients"] == 3
    assert done.rows["visits"] == 0


def test_nobody_who_consented(empty_registry: Path, tmp_path: Path) -> None:
    three(empty_registry, "audit_only")
    with (
        open_registry(empty_registry, read_only=False) as registry,
        pytest.raises(GraftledgerError, match="Nobody of this cohort may leave"),
    ):
        export_cohort(registry, "three", tmp_path / "x", level=Level.INTERNAL, exported_by="me")
    assert nothing_left(tmp_path / "x", empty_registry)


def test_a_folder_that_is_there(empty_registry: Path, tmp_path: Path) -> None:
    three(empty_registry)
    out = tmp_path / "x"
    out.mkdir()
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    with (
        open_registry(empty_registry, read_only=False) as registry,
        pytest.raises(GraftledgerError, match="there already"),
    ):
        export_cohort(registry, "three", out, level=Level.INTERNAL, exported_by="me")
    assert [path.name for path in out.iterdir()] == ["mine.txt"]


def test_words_for_what_is_unknown() -> None:
    with pytest.raises(GraftledgerError, match="There is no default"):
        level_named("")
    with pytest.raises(GraftledgerError, match="no level 'public'"):
        level_named("public")
    with pytest.raises(GraftledgerError, match="Did you mean parquet"):
        formats_named(["parket"])
    assert formats_named(["xpt", "dta"]) == ("csv", "dta", "xpt")


@pytest.mark.parametrize(
    ("level", "formats"), [(Level.ANONYMOUS, ("csv",)), (Level.INTERNAL, ("csv", "dta")), (Level.LIMITED, ("xpt",))]
)
def test_what_would_not_fit_in_memory(
    own_clinics: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, level: Level, formats: tuple[str, ...]
) -> None:
    monkeypatch.setattr(run_module, "engine_memory", lambda connection: 1_000_000)
    with open_registry(own_clinics, read_only=False) as registry:
        with pytest.raises(GraftledgerError, match=r"has [0-9],[0-9]{3} visits, and for .* all of them must"):
            export_cohort(registry, "all", tmp_path / "out" / "x", level=level, formats=formats, exported_by="me")
        assert nothing_left(tmp_path / "out", own_clinics)
        done = export_cohort(
            registry, "all", tmp_path / "x", level=Level.LIMITED, formats=("csv", "parquet"), exported_by="me"
        )
    assert done.rows["visits"] > 1_000


def full(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def full_in_words(*_: object, **__: object) -> None:
    raise OSError("No space left on device (os error 28)")  # as polars says it, without a number


@pytest.mark.parametrize("breaks", ["writer", "writer in words", "checksums", "rename", "ledger"])
def test_a_disk_that_is_full_half_way(
    empty_registry: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breaks: str
) -> None:
    three(empty_registry)
    place = tmp_path / "out"
    targets: dict[str, Callable[[], None]] = {
        "writer": lambda: monkeypatch.setitem(run_module.FORMATS, "parquet", full),  # type: ignore[arg-type]
        "writer in words": lambda: monkeypatch.setitem(run_module.FORMATS, "parquet", full_in_words),  # type: ignore[arg-type]
        "checksums": lambda: monkeypatch.setattr(run_module, "file_hash", full),
        "rename": lambda: monkeypatch.setattr(run_module.os, "rename", full),
        "ledger": lambda: monkeypatch.setattr(run_module, "note_export", full),
    }
    targets[breaks]()
    with (
        open_registry(empty_registry, read_only=False) as registry,
        pytest.raises(GraftledgerError, match=r"no space left on device.*nothing is left of it"),
    ):
        export_cohort(
            registry, "three", place / "x", level=Level.INTERNAL, formats=("csv", "parquet"), exported_by="me"
        )
    assert nothing_left(place, empty_registry)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of a file")
@pytest.mark.parametrize("ending", ["csv", "parquet", "dta", "sav", "xpt"])
def test_no_file_may_grow(own_clinics: Path, tmp_path: Path, ending: str) -> None:
    """A real limit of the system, which each format's own writer meets."""
    out = tmp_path / "out" / "x"
    code = f"""
import resource
import pipelines.exports.run as run
real = run.FORMATS[{ending!r}]
def limited(frame, table, path):
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, before[1]))
    try:
        real(frame, table, path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
run.FORMATS[{ending!r}] = limited
from reports.command_line import app
app(["export", "all", "--level", "internal", "--formats", {ending!r}, "--out", {str(out)!r}, "--registry",
     {str(own_clinics)!r}])
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 1, run.stderr
    assert "could not be written" in run.stderr
    assert "Traceback" not in run.stderr
    assert nothing_left(tmp_path / "out", own_clinics)


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of a file")
def test_no_room_to_put_rows_in_order(own_clinics: Path, tmp_path: Path) -> None:
    out = tmp_path / "out" / "x"
    code = f"""
import resource
import pipelines.exports.run as run
real = run.frame_of
def limited(registry, table, scratch):
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, before[1]))
    try:
        return real(registry, table, scratch)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
run.frame_of = limited
from reports.command_line import app
app(["export", "all", "--level", "internal", "--out", {str(out)!r}, "--registry", {str(own_clinics)!r}])
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 1, run.stderr
    assert "Traceback" not in run.stderr
    assert "the disk is full" in run.stderr
    assert nothing_left(tmp_path / "out", own_clinics)


def test_the_ledger_names_the_exports_that_held_a_patient(empty_registry: Path, tmp_path: Path) -> None:
    three(empty_registry)
    with open_registry(empty_registry, read_only=False) as registry:
        for name in ("one", "two"):
            export_cohort(registry, "three", tmp_path / name, level=Level.INTERNAL, seed=1, exported_by="me")
        registry.connection.execute(
            "delete from exported_patient where export_id = 1 and key_hash = "
            "(select left(sha256(key_salt || ?), 32) from registry_info)",
            [key("p1")],
        )
    with open_registry(empty_registry) as registry:
        first, second = list_exports(registry)
        assert (first.patients, second.patients, first.seeded, first.level) == (3, 3, True, "internal")
        assert first.files == second.files
        assert "data/gaps.csv" in first.files
        for short, held in (("p0", (1, 2)), ("p1", (2,)), ("none", ())):
            keys = f"(select '{key(short)}' as key)"
            assert exports_with(registry.connection, keys) == held
        stored = registry.connection.execute("select key_hash from exported_patient").fetchall()
        assert not any(hashed.startswith("p") for (hashed,) in stored)


def test_an_erasure_names_the_exports_and_later_ones_do_not_hold_the_patient(
    empty_registry: Path, tmp_path: Path
) -> None:
    three(empty_registry)
    with open_registry(empty_registry, read_only=False) as registry:
        registry.connection.execute(
            "insert into intake values (1, 'files', now()::timestamp, 'me', '0', repeat('0', 16), repeat('0', 16))"
        )
        export_cohort(registry, "three", tmp_path / "one", level=Level.INTERNAL, exported_by="me")
    done = erase_patient(empty_registry, key("p1"), received_by="me")
    assert done.erased.exports == (1,)
    with open_registry(empty_registry, read_only=False) as registry:
        after = export_cohort(registry, "three", tmp_path / "two", level=Level.INTERNAL, exported_by="me")
        assert after.rows["patients"] == 2
        assert [export.patients for export in list_exports(registry)] == [3, 2]
