"""A database encrypted at rest: opened by its key alone, refused in one line else, and no key in any output.

Where the engine cannot write encrypted files, what only reads is tried on a registry kept for it, which
tests/reference/registries/make_encrypted.py made under DuckDB 1.5.5.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tarfile
import time
from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from filelock import FileLock
from typer.testing import CliRunner, Result

from registry import GraftledgerError, database_file, encryption, open_registry, start_registry
from registry.backup import MANIFEST, back_up, restore
from registry.database_file import DATABASE_FILE, LOCK_FILE, attached, leftovers, remove_leftovers
from registry.encrypting import change_key, decrypt, encrypt
from registry.encryption import KEY_FILE_VARIABLE, KEY_VARIABLE, Key, is_encrypted, key_given, module_loads
from registry.snapshot import snapshot_id
from registry.verification import verify
from reports.command_line import app
from tests.small_registry import small_registry

KEPT = Path(__file__).parents[1] / "reference" / "registries" / "encrypted.tar.gz"
KEPT_KEY = "kept-for-tests-0123456789-abcdefgh"
PATIENT = "knownpatientcode"
KEY = "5f1d" * 4 + "0123456789abcdef" * 3
OTHER_KEY = "c7a9" * 4 + "0123456789abcdef" * 3

needs_module = pytest.mark.skipif(
    not module_loads(), reason=f"DuckDB {duckdb.__version__} has no crypto module here (its extension httpfs)"
)


def fill(folder: Path) -> str:
    """Put a patient of a known code into a registry, and an event that accounts for it. Returns the snapshot."""
    with small_registry(folder, patient=[{"patient_key": PATIENT}], site_period=[]) as registry:
        snapshot = registry.snapshot
    with open_registry(folder, read_only=False) as registry:
        registry.connection.execute(
            "insert into intake values (1, 'files', ?, 'test', '0', ?, ?)",
            [datetime(2020, 1, 1), snapshot_id({}), snapshot],
        )
    return snapshot


def patients(folder: Path) -> list[str]:
    with open_registry(folder) as registry:
        assert verify(registry) == ()
        return [key for (key,) in registry.connection.execute("select patient_key from patient").fetchall()]


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, list(arguments))


def no_clear_text(folder: Path) -> bool:
    return not any(PATIENT.encode() in path.read_bytes() for path in folder.rglob("*") if path.is_file())


@pytest.fixture(autouse=True)
def no_key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(KEY_FILE_VARIABLE, raising=False)
    monkeypatch.delenv(KEY_VARIABLE, raising=False)


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """An encrypted registry, of KEPT_KEY."""
    with tarfile.open(KEPT) as archive:
        archive.extractall(tmp_path / "kept", filter="data")
    return tmp_path / "kept" / "registry"


@pytest.fixture
def clear(empty_registry: Path) -> Path:
    fill(empty_registry)
    return empty_registry


@pytest.fixture
def encrypted(clear: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A registry that was encrypted under KEY, which is given."""
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    encrypt(clear)
    return clear


# keys


def test_a_new_key_is_long_random_and_its_owners(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [tmp_path / "one", tmp_path / "other"]
    for path in paths:
        result = run("encryption", "new-key", str(path))
        assert result.exit_code == 0
        assert path.read_text().strip() not in result.output
        if os.name == "posix":
            assert path.stat().st_mode & 0o777 == 0o600
    one, other = (path.read_text().strip() for path in paths)
    assert len(one) == len(other) == 64  # hexadecimal digits: 256 bits
    assert one != other
    monkeypatch.setenv(KEY_FILE_VARIABLE, str(paths[0]))
    assert key_given() == Key(one)
    assert one not in repr(key_given())
    assert run("encryption", "new-key", str(paths[0])).exit_code == 1
    assert paths[0].read_text().strip() == one


@pytest.mark.skipif(os.name != "posix", reason="modes of files are POSIX")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644])
def test_a_key_file_that_others_may_read_is_refused(mode: int, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = kept.parent / "key"
    path.write_text(KEPT_KEY)
    path.chmod(mode)
    monkeypatch.setenv(KEY_FILE_VARIABLE, str(path))
    result = run("verify", "--registry", str(kept))
    assert result.exit_code == 1
    assert result.output == f"{path}: other users of this machine may read the key. Run: chmod 600 '{path}'\n"
    path.chmod(0o600)
    assert run("verify", "--registry", str(kept)).exit_code == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [("0123456789abcdef", "fewer than 32"), ("ab" * 32, "repeats"), ("schlüssel" * 8, "other than plain")],
)
def test_a_weak_key_is_refused_and_not_repeated(text: str, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(KEY_VARIABLE, text)
    with pytest.raises(GraftledgerError, match=words) as refusal:
        key_given()
    assert text not in str(refusal.value)


def test_a_key_in_the_place_of_a_file_name_is_not_repeated(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(KEY_FILE_VARIABLE, KEY)
    with pytest.raises(GraftledgerError, match="no such file") as refusal:
        key_given()
    assert KEY not in str(refusal.value)


def test_two_keys_are_one_too_many(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    monkeypatch.setenv(KEY_FILE_VARIABLE, str(tmp_path / "key"))
    with pytest.raises(GraftledgerError, match="both give a key"):
        key_given()


# opening: these run without the module


def test_the_right_key_reads_also_without_the_module(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert is_encrypted(kept / DATABASE_FILE)
    monkeypatch.setattr(encryption, "_load", lambda connection: False)
    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    assert patients(kept) == [PATIENT]
    with open_registry(kept) as registry:  # nothing could be spilled but in the clear
        assert registry.connection.execute("select current_setting('temp_directory')").fetchall() == [("",)]
        known = registry.connection.execute("select getvariable('registry_key')").fetchall()
        assert known == [(None,)]


@pytest.mark.parametrize(
    ("key", "words"),
    [
        (None, "registry.duckdb: the registry is encrypted, and no key is given. Set GRAFTLEDGER_KEY_FILE"),
        (OTHER_KEY, "registry.duckdb: the key that is given does not open this registry. Give the key"),
        ("short", "GRAFTLEDGER_KEY: the key has fewer than 32 characters. Make one with"),
    ],
)
@pytest.mark.parametrize("command", [["verify"], ["status"], ["encryption", "off"], ["backup", "new.tar"]])
def test_no_key_or_a_wrong_one_is_one_line(
    command: list[str], key: str | None, words: str, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(kept.parent)
    if key is not None:
        monkeypatch.setenv(KEY_VARIABLE, key)
    if key is None and command == ["encryption", "off"]:
        words = "GRAFTLEDGER_KEY_FILE: an encrypted registry needs a key. Set GRAFTLEDGER_KEY_FILE"
    before = (kept / DATABASE_FILE).read_bytes()
    result = run(*command, "--registry", str(kept))
    assert result.exit_code == 1
    assert result.output.startswith(words)
    assert len(result.output.splitlines()) == 1
    assert key is None or key not in result.output
    assert (kept / DATABASE_FILE).read_bytes() == before
    assert not (kept.parent / "new.tar").exists()
    assert leftovers(kept) == []


def test_a_key_for_a_clear_registry_is_refused(clear: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whoever gives a key believes the records to be encrypted."""
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    result = run("verify", "--registry", str(clear))
    assert result.exit_code == 1
    assert result.output.startswith("registry.duckdb: a key is given, but the registry is not encrypted.")
    with pytest.raises(GraftledgerError, match="the new registry would not be encrypted"):
        start_registry(tmp_path / "new", ["A"], ["S1"], "Test practice")
    assert not (tmp_path / "new").exists()


def test_without_the_module_nothing_is_written(
    clear: Path, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(encryption, "_load", lambda connection: False)
    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    before = [(folder / DATABASE_FILE).read_bytes() for folder in (clear, kept)]
    new = tmp_path / "new"
    for arguments in (
        ["start", str(new), "--sites", "A", "--surgeons", "S1", "--encrypted"],
        ["encryption", "on", "--registry", str(clear)],
        ["backup", str(tmp_path / "kept.tar"), "--registry", str(kept)],
        ["erase-patient", PATIENT, "--yes", "--registry", str(kept)],
    ):
        result = run(*arguments)
        assert result.exit_code == 1, arguments
        lines = [line for line in result.output.splitlines() if "httpfs" in line]
        assert len(lines) == 1, result.output
        assert "cannot write encrypted files here" in lines[0]
    assert not new.exists()
    assert not (tmp_path / "kept.tar").exists()
    assert [(folder / DATABASE_FILE).read_bytes() for folder in (clear, kept)] == before
    assert leftovers(clear) == leftovers(kept) == []
    assert no_clear_text(kept)


def test_an_encrypted_registry_can_always_be_made_clear(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(encryption, "_load", lambda connection: False)
    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    assert run("encryption", "off", "--registry", str(kept)).exit_code == 0
    monkeypatch.delenv(KEY_VARIABLE)
    assert not is_encrypted(kept / DATABASE_FILE)
    assert patients(kept) == [PATIENT]
    result = run("encryption", "off", "--registry", str(kept))
    assert result.exit_code == 1
    assert "the registry is not encrypted" in result.output


def test_the_status(kept: Path, clear: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = run("encryption", "status", "--registry", str(clear))
    assert result.exit_code == 0
    assert result.output.splitlines()[0] == "Database: not encrypted."
    assert result.output.splitlines()[2] == "Key: not given."
    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    result = run("encryption", "status", "--registry", str(kept))
    assert result.output.splitlines()[0] == "Database: encrypted."
    assert result.output.splitlines()[2:] == ["Key: given.", "The key opens the registry."]
    assert ("not possible" in result.output) is not module_loads()
    assert run("encryption", "status", "--registry", str(kept.parent)).exit_code == 1


def test_changed_bytes_are_named_as_damage(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every block carries a tag of its bytes (AES-GCM), which the engine holds them against."""
    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    sound = (kept / DATABASE_FILE).read_bytes()
    draw = random.Random(1)
    for _ in range(12):
        bytes_ = bytearray(sound)
        bytes_[draw.randrange(3 * 4096, len(sound))] ^= 1 << draw.randrange(8)
        (kept / DATABASE_FILE).write_bytes(bytes_)
        result = run("verify", "--registry", str(kept))
        assert result.exit_code == 0 or "it is damaged" in result.output, result.output
        assert len(result.output.splitlines()) <= 2


@pytest.mark.parametrize("step", ["flush", "replace"])
def test_a_full_disk_leaves_it_as_it_was(step: str, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*paths: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    before = (kept / DATABASE_FILE).read_bytes()
    monkeypatch.setattr(*((database_file, "flush") if step == "flush" else (os, "replace")), full)
    with pytest.raises(GraftledgerError, match="the disk is full"):
        decrypt(kept)
    assert (kept / DATABASE_FILE).read_bytes() == before
    assert leftovers(kept) == []


def test_one_changes_it_at_a_time(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    with FileLock(kept / LOCK_FILE), pytest.raises(GraftledgerError, match="in use by another program"):
        decrypt(kept)
    assert is_encrypted(kept / DATABASE_FILE)


def test_a_copy_that_holds_something_else_takes_no_place(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = database_file.copy_database

    def lose_a_row(connection: duckdb.DuckDBPyConnection, target: Path, key: Key | None) -> None:
        copy(connection, target, key)
        with duckdb.connect(str(target)) as other:
            other.execute("delete from patient")

    monkeypatch.setenv(KEY_VARIABLE, KEPT_KEY)
    monkeypatch.setattr(database_file, "copy_database", lose_a_row)
    with pytest.raises(RuntimeError, match="holds something else"):
        decrypt(kept)
    assert patients(kept) == [PATIENT]
    assert leftovers(kept) == []


# with the module


@needs_module
def test_a_registry_made_encrypted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "registry"
    arguments = ["start", str(folder), "--sites", "A,B", "--surgeons", "S1,S2", "--encrypted"]
    result = run(*arguments)
    assert result.exit_code == 1
    assert "an encrypted registry needs a key" in result.output
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    assert KEY not in result.output
    fill(folder)
    assert is_encrypted(folder / DATABASE_FILE)
    assert patients(folder) == [PATIENT]
    assert no_clear_text(folder)
    assert not any(KEY.encode() in path.read_bytes() for path in folder.rglob("*") if path.is_file())


@needs_module
def test_there_and_back(clear: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (clear / DATABASE_FILE).chmod(0o640)
    assert not no_clear_text(clear)
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    encrypt(clear)
    assert patients(clear) == [PATIENT]
    assert no_clear_text(clear)
    with pytest.raises(GraftledgerError, match="encrypted already"):
        encrypt(clear)
    other = clear.parent / "other"
    other.write_text(OTHER_KEY)
    other.chmod(0o600)
    change_key(clear, other)
    with pytest.raises(GraftledgerError, match="does not open"), open_registry(clear):
        pass
    monkeypatch.setenv(KEY_VARIABLE, OTHER_KEY)
    with pytest.raises(GraftledgerError, match="this is the key"):
        change_key(clear, other)
    assert patients(clear) == [PATIENT]
    decrypt(clear)
    monkeypatch.delenv(KEY_VARIABLE)
    assert patients(clear) == [PATIENT]
    assert (clear / DATABASE_FILE).stat().st_mode & 0o777 == 0o640
    assert leftovers(clear) == []


@needs_module
@pytest.mark.parametrize("afresh", [False, True])
def test_a_change_leaves_it_encrypted(afresh: bool, encrypted: Path) -> None:
    with open_registry(encrypted, read_only=False, afresh=afresh) as registry:
        registry.connection.execute("update registry_info set created_by_version = 'clearly legible'")
        assert no_clear_text(encrypted)  # the copy and its log
    assert is_encrypted(encrypted / DATABASE_FILE)
    assert b"clearly legible" not in (encrypted / DATABASE_FILE).read_bytes()
    assert patients(encrypted) == [PATIENT]


@needs_module
def test_a_backup_is_encrypted_alike(encrypted: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "backup.tar"
    assert back_up(encrypted, path).encrypted
    assert PATIENT.encode() not in path.read_bytes()
    with tarfile.open(path) as archive:
        manifest = archive.extractfile(MANIFEST)
        assert manifest is not None
        assert b'"encrypted": true' in manifest.read()
    assert restore(path, tmp_path / "restored").encrypted
    assert is_encrypted(tmp_path / "restored" / DATABASE_FILE)
    assert patients(tmp_path / "restored") == [PATIENT]
    for key, words in ((OTHER_KEY, "does not open"), (None, "no key is given")):
        monkeypatch.setenv(KEY_VARIABLE, key) if key else monkeypatch.delenv(KEY_VARIABLE)
        with pytest.raises(GraftledgerError, match=words):
            restore(path, tmp_path / "refused")
        assert not (tmp_path / "refused").exists()


@needs_module
def test_what_is_spilled_is_encrypted_and_the_network_is_closed(encrypted: Path) -> None:
    spilled = encrypted / f"{DATABASE_FILE}.tmp"
    with open_registry(encrypted) as registry:
        connection = registry.connection
        connection.execute("set memory_limit = '60MB'")
        connection.execute("set threads = 1")
        connection.execute(
            f"create temp table large as select '{PATIENT}' || random()::varchar as text from range(3_000_000)"
        )
        assert sum(path.stat().st_size for path in spilled.iterdir()) > 2**20
        assert no_clear_text(spilled)
        with pytest.raises(duckdb.Error, match="disabled by configuration"):
            connection.execute("select * from read_csv('https://localhost/x.csv')")


KILLED = """
import sys
from pathlib import Path
from registry.database_file import rewrite
from registry.encryption import Key, module_loads
module_loads()  # so that what takes time at first is done
print("ready", flush=True)
sys.stdin.readline()
rewrite(Path(sys.argv[1]), *(Key(text) if text else None for text in sys.argv[2:4]))
"""
MOMENTS = 16


def rewriting(folder: Path, now: str, then: str) -> subprocess.Popen[str]:
    """A process about to write a registry anew, once it is sent a line."""
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(folder), now, then],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kills a process")
@pytest.mark.parametrize(("now", "then"), [(KEPT_KEY, ""), pytest.param("", KEPT_KEY, marks=needs_module)])
def test_a_kill_leaves_it_as_it_was_or_as_it_is_after(
    now: str, then: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Killed at moments spread over twice the length of an undisturbed run."""
    registry: Path = request.getfixturevalue("kept" if now else "clear")
    process = rewriting(shutil.copytree(registry, tmp_path / "whole"), now, then)
    began = time.monotonic()
    process.communicate("\n")
    length = time.monotonic() - began
    outcomes = set()
    for number in range(MOMENTS):
        folder = shutil.copytree(registry, tmp_path / f"killed_{number}")
        process = rewriting(folder, now, then)
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()
        time.sleep(2 * length * number / MOMENTS)
        process.kill()
        process.communicate()
        encrypted = is_encrypted(folder / DATABASE_FILE)
        with attached(folder / DATABASE_FILE, Key(KEPT_KEY) if encrypted else None, read_only=True) as connection:
            assert connection.execute("select patient_key from patient").fetchall() == [(PATIENT,)]
        if then:
            assert all(PATIENT.encode() not in path.read_bytes() for path in leftovers(folder) if path.is_file())
        outcomes.add(encrypted)
        remove_leftovers(folder)
        assert leftovers(folder) == []
    assert outcomes == {False, True}
