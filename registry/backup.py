"""A registry as one file, and back: every byte is held against its checksum before anything takes a place.

The file is a tar archive of plain files, so that it can be read without this program: `manifest.json` with the
checksums first, then the database and what stands beside it in the folder. The database in it is a copy made by the
engine, which holds what the registry holds and no remains of what was erased. That of an encrypted registry is
encrypted under the same key; what stands beside it, settings and mappings, is clear.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .changes import last_intake_id
from .database_file import DATABASE_FILE, copy_database, flush
from .encryption import is_encrypted, key_for
from .errors import Fault, GraftledgerError
from .settings import SETTINGS_FILE
from .store import SCHEMA_VERSION, open_registry
from .verification import verify
from .version import program_version

if TYPE_CHECKING:
    import duckdb

MANIFEST = "manifest.json"
_FORMAT = 1
_MEMBER = re.compile(r"(?:registry\.duckdb|(?:settings|expectations|mappings/[A-Za-z0-9_-][A-Za-z0-9_.-]{0,99})\.toml)")
_BLOCK = 4 * 2**20
_LARGEST_MANIFEST = 2**20


@dataclass(frozen=True)
class Backup:
    """What a backup holds. files: names with their bytes. intake_id: the last event in it. encrypted: its database."""

    path: Path
    snapshot: str
    intake_id: int
    program_version: str
    files: dict[str, int]
    encrypted: bool


def back_up(folder: Path, path: Path, progress: Callable[[str], None] = lambda words: None) -> Backup:
    """Write a registry folder into one new file, readable by its owner alone. The registry is only read.

    Raises: GraftledgerError where the file is there already or cannot be written, or where the registry is unsound
    or damaged. Then no file is left.
    """
    if path.exists():
        raise GraftledgerError(Fault("the file is there already.", str(path), mend="Choose another name."))
    with open_registry(folder) as registry, _work_beside(path, "the backup could not be written") as work:
        progress("Checking the registry")
        if faults := verify(registry):
            raise GraftledgerError(*faults)
        progress("Copying the database")
        copy_database(registry.connection, work / DATABASE_FILE, key_for(folder / DATABASE_FILE))
        sources = {DATABASE_FILE: work / DATABASE_FILE, **{name: folder / name for name in _beside_database(folder)}}
        manifest = {
            "format": _FORMAT,
            "snapshot": registry.snapshot,
            "intake": last_intake_id(registry.connection),
            "schema_version": _schema_version(registry.connection),
            "program_version": program_version(),
            "encrypted": is_encrypted(work / DATABASE_FILE),
            "files": {
                name: {"bytes": source.stat().st_size, "sha256": _digest(source)} for name, source in sources.items()
            },
        }
        progress("Writing the backup")
        unfinished = work / "backup"
        with tarfile.open(unfinished, "w") as archive:
            text = json.dumps(manifest, indent=2).encode()
            archive.addfile(_member(MANIFEST, len(text)), io.BytesIO(text))
            for name, source in sources.items():
                with source.open("rb") as content:
                    archive.addfile(_member(name, source.stat().st_size), content)
        os.chmod(unfinished, 0o600)
        flush(unfinished)
        os.replace(unfinished, path)
    return _described(path, manifest)


def restore(path: Path, folder: Path, progress: Callable[[str], None] = lambda words: None) -> Backup:
    """Make a registry folder of a backup.

    folder: must not be there yet. It appears when everything in it has been checked: the bytes of each file, that the
    registry is sound, and that it has the snapshot it was backed up with.
    Raises: GraftledgerError where the folder is there already or cannot be written, the file is no backup, is damaged,
    or was made by a newer version. Then no folder is left.
    """
    if folder.exists():
        raise GraftledgerError(
            Fault("the folder is there already.", str(folder), mend="Choose another, or move it away first.")
        )
    with _work_beside(folder, "the registry could not be restored") as work:
        progress("Reading the backup")
        restored = work / "registry"
        restored.mkdir(mode=0o700)
        manifest = _unpack(path, restored)
        progress("Checking the registry")
        with open_registry(restored) as registry:
            faults = verify(registry)
            if registry.snapshot != manifest["snapshot"]:
                faults = (*faults, Fault("the records are not those that were backed up.", path.name))
        if faults:
            raise GraftledgerError(*faults)
        os.replace(restored, folder)
    return _described(folder, manifest)


def _unpack(path: Path, target: Path) -> dict[str, Any]:
    """Write the files of a backup, each held against its checksum. Returns the manifest."""
    try:
        with tarfile.open(path, "r:") as archive:
            manifest = _manifest(archive)
            for name, told in manifest["files"].items():
                member = archive.getmember(name)
                content = archive.extractfile(member) if member.isreg() and member.size == told["bytes"] else None
                if content is None:
                    raise _damaged(path, name)
                (target / name).parent.mkdir(mode=0o700, exist_ok=True)
                with (target / name).open("xb") as file:
                    shutil.copyfileobj(content, file, _BLOCK)
                os.chmod(target / name, 0o600)
                if _digest(target / name) != told["sha256"]:
                    raise _damaged(path, name)
    except FileNotFoundError:
        raise GraftledgerError(Fault("there is no such file.", str(path))) from None
    except (tarfile.TarError, KeyError, TypeError, ValueError, AttributeError, EOFError):
        raise GraftledgerError(
            Fault("this is no backup of a registry, or it is damaged.", path.name, mend="Take another backup.")
        ) from None
    return manifest


def _manifest(archive: tarfile.TarFile) -> dict[str, Any]:
    """Raises: KeyError, TypeError or ValueError where it is none; GraftledgerError where it is newer."""
    member = archive.getmember(MANIFEST)
    content = archive.extractfile(member)
    if content is None or member.size > _LARGEST_MANIFEST:
        raise ValueError("no manifest")
    manifest: dict[str, Any] = json.loads(content.read())
    if int(manifest["format"]) > _FORMAT or int(manifest["schema_version"]) > SCHEMA_VERSION:
        raise GraftledgerError(Fault("the backup was made by a newer version.", MANIFEST, mend="Update graftledger."))
    files = manifest["files"]
    if not {DATABASE_FILE, SETTINGS_FILE} <= set(files) or not all(_MEMBER.fullmatch(name) for name in files):
        raise ValueError("not the files of a registry")
    return manifest


def _damaged(path: Path, name: str) -> GraftledgerError:
    return GraftledgerError(
        Fault(f"{name} in it is damaged: its checksum is another.", path.name, mend="Take another backup.")
    )


def _schema_version(connection: duckdb.DuckDBPyConnection) -> int:
    return int(connection.execute("select schema_version from registry_info").fetchall()[0][0])


def _beside_database(folder: Path) -> list[str]:
    """The other files of a registry folder, in a fixed order."""
    found = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.toml"))
    return [name for name in found if _MEMBER.fullmatch(name)]


def _member(name: str, size: int) -> tarfile.TarInfo:
    """Without owner and time, so that the same registry gives the same bytes where the engine does."""
    member = tarfile.TarInfo(name)
    member.size, member.mode = size, 0o600
    return member


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()


def _described(path: Path, manifest: dict[str, Any]) -> Backup:
    return Backup(
        path,
        manifest["snapshot"],
        int(manifest["intake"]),
        manifest["program_version"],
        {name: int(told["bytes"]) for name, told in manifest["files"].items()},
        bool(manifest.get("encrypted")),
    )


@contextmanager
def _work_beside(target: Path, failed: str) -> Iterator[Path]:
    """A folder on the same disk as the target, gone at the end; errors of the disk become words."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=target.parent))
    except OSError as error:
        raise _refusal(target, failed, error) from None
    try:
        yield work
    except OSError as error:
        raise _refusal(target, failed, error) from None
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _refusal(target: Path, failed: str, error: OSError) -> GraftledgerError:
    why = (error.strerror or "error").lower()
    return GraftledgerError(Fault(f"{failed} ({why}).", str(target), mend="Is the folder writable, and is there room?"))
