"""A registry as one file and back: nothing lost, nothing half-written, no damage let through."""

from __future__ import annotations

import io
import json
import random
import tarfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner, Result

from registry.backup import MANIFEST, back_up, restore
from registry.errors import GraftledgerError
from registry.snapshot import snapshot_id
from registry.store import DATABASE_FILE, SCHEMA_VERSION, open_registry
from registry.verification import verify
from reports.command_line import app
from tests.small_registry import small_registry


@pytest.fixture
def folder(empty_registry: Path) -> Path:
    with small_registry(
        empty_registry,
        patient=[{"patient_key": "p1"}, {"patient_key": "p2"}],
        session=[{"session_key": "s1", "patient_key": "p1"}],
    ) as registry:
        snapshot = registry.snapshot
    with duckdb.connect(str(empty_registry / DATABASE_FILE)) as connection:  # rows put in past the intake
        connection.execute(
            "insert into intake values (1, 'files', ?, 'test', '0', ?, ?)",
            [datetime(2020, 1, 1), snapshot_id({}), snapshot],
        )
    (empty_registry / "mappings").mkdir()
    (empty_registry / "mappings" / "A.toml").write_text("# a mapping\n", encoding="utf-8")
    (empty_registry / "notes.txt").write_text("not a part of the registry", encoding="utf-8")
    return empty_registry


@pytest.fixture
def backup(folder: Path, tmp_path: Path) -> Path:
    return back_up(folder, tmp_path / "kept" / "backup.tar").path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, list(arguments))


def snapshot_of(folder: Path) -> str:
    with open_registry(folder) as registry:
        assert verify(registry) == ()
        return registry.snapshot


def test_there_and_back(folder: Path, tmp_path: Path) -> None:
    path, out = tmp_path / "backup.tar", tmp_path / "restored"
    made = run("backup", str(path), "--registry", str(folder))
    assert made.exit_code == 0, made.output
    assert path.stat().st_mode & 0o777 == 0o600
    back = run("restore", str(path), "--out", str(out))
    assert back.exit_code == 0, back.output
    assert "erase again" in " ".join(back.output.split())
    assert snapshot_of(out) == snapshot_of(folder)
    assert (out / "settings.toml").read_bytes() == (folder / "settings.toml").read_bytes()
    assert sorted(path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()) == [
        "mappings/A.toml", "registry.duckdb", "settings.toml",
    ]  # fmt: skip
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.startswith(".unfinished")) == []


def test_nothing_is_written_over(folder: Path, backup: Path, tmp_path: Path) -> None:
    content = backup.read_bytes()
    assert "there already" in run("backup", str(backup), "--registry", str(folder)).output
    assert backup.read_bytes() == content
    assert "there already" in run("restore", str(backup), "--out", str(folder)).output
    assert snapshot_of(folder)


def test_an_unsound_registry_is_not_backed_up(folder: Path, tmp_path: Path) -> None:
    with duckdb.connect(str(folder / DATABASE_FILE)) as connection:
        connection.execute("delete from patient where patient_key like 'p1%'")
    with pytest.raises(GraftledgerError, match="refer to a patient that is not there"):
        back_up(folder, tmp_path / "backup.tar")
    assert not (tmp_path / "backup.tar").exists()


def flipped(content: bytes, random_: random.Random) -> bytes:
    place = random_.randrange(len(content))
    return content[:place] + bytes([content[place] ^ (1 << random_.randrange(8))]) + content[place + 1 :]


def cut(content: bytes, random_: random.Random) -> bytes:
    return content[: random_.randrange(len(content))]


@pytest.mark.parametrize("damage", [flipped, cut])
def test_damage_is_refused_or_harmless(
    damage: Callable[[bytes, random.Random], bytes], backup: Path, folder: Path, tmp_path: Path
) -> None:
    """Padding and headers may be hit; then what comes out is still, byte for byte, what went in."""
    random_, sound, refused = random.Random(7), backup.read_bytes(), 0
    for turn in range(40):
        out = tmp_path / f"out{turn}"
        (tmp_path / "damaged.tar").write_bytes(damage(sound, random_))
        try:
            restore(tmp_path / "damaged.tar", out)
        except GraftledgerError:
            refused += 1
            assert not out.exists()
        else:
            assert snapshot_of(out) == snapshot_of(folder)
    assert refused >= 20


def repacked(backup: Path, target: Path, change: Callable[[dict[str, bytes], dict[str, object]], None]) -> Path:
    """The same archive with other content."""
    with tarfile.open(backup) as archive:
        files = {member.name: archive.extractfile(member).read() for member in archive}  # type: ignore[union-attr]
    manifest = json.loads(files.pop(MANIFEST))
    change(files, manifest)
    with tarfile.open(target, "w") as archive:
        for name, content in {MANIFEST: json.dumps(manifest).encode(), **files}.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return target


@pytest.mark.parametrize(
    "name", ["../outside.toml", "/outside.toml", "mappings/../../outside.toml", "mappings/.x.toml"]
)
def test_names_that_lead_elsewhere(name: str, backup: Path, tmp_path: Path) -> None:
    def change(files: dict[str, bytes], manifest: dict[str, object]) -> None:
        files[name] = b"x"
        manifest["files"][name] = {"bytes": 1, "sha256": "0" * 64}  # type: ignore[index]

    path = repacked(backup, tmp_path / "other.tar", change)
    with pytest.raises(GraftledgerError, match="no backup"):
        restore(path, tmp_path / "deep" / "out")
    assert not list(tmp_path.rglob("outside.toml"))


def test_another_database_in_it_is_found_out(backup: Path, tmp_path: Path) -> None:
    """Its checksum fits, the records do not."""

    def change(files: dict[str, bytes], manifest: dict[str, object]) -> None:
        manifest["snapshot"] = "0" * 16

    with pytest.raises(GraftledgerError, match="not those that were backed up"):
        restore(repacked(backup, tmp_path / "other.tar", change), tmp_path / "out")


def test_newer_and_older_versions(backup: Path, folder: Path, tmp_path: Path) -> None:
    def newer(files: dict[str, bytes], manifest: dict[str, object]) -> None:
        manifest["schema_version"] = SCHEMA_VERSION + 1

    with pytest.raises(GraftledgerError, match="newer version"):
        restore(repacked(backup, tmp_path / "newer.tar", newer), tmp_path / "out")
    with duckdb.connect(str(folder / DATABASE_FILE)) as connection:
        connection.execute("update registry_info set schema_version = 1")
    old = back_up(folder, tmp_path / "old.tar")
    assert restore(old.path, tmp_path / "out").snapshot == old.snapshot


@pytest.mark.parametrize("content", [b"", b"no archive", b"\0" * 10_240])
def test_what_is_no_backup(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "some.tar").write_bytes(content)
    for path in (tmp_path / "some.tar", tmp_path / "none.tar"):
        result = run("restore", str(path), "--out", str(tmp_path / "out"))
        assert result.exit_code == 1
        assert "no backup" in result.output or "no such file" in result.output
        assert "Traceback" not in result.output
    assert not (tmp_path / "out").exists()
