"""Make the small encrypted registry that is kept here, where the engine's crypto module loads.

    python tests/reference/registries/make_encrypted.py

Run with DuckDB 1.5.5 and its extension httpfs 1.5.5, from the repository's root. Small blocks, so that the file is
small; encrypted bytes do not compress, and differ from run to run. The key is no secret.
"""

from __future__ import annotations

import os
import tarfile
import tempfile
from pathlib import Path

import duckdb

from registry.encryption import KEY_VARIABLE
from registry.settings import SETTINGS_FILE
from registry.store import DATABASE_FILE, start_registry
from tests.registry.test_encryption import KEPT, KEPT_KEY, fill


def main() -> None:
    os.environ.pop(KEY_VARIABLE, None)
    with tempfile.TemporaryDirectory() as name:
        clear = Path(name) / "clear"
        start_registry(clear, ["A", "B"], ["S1", "S2"], "Test practice")
        fill(clear)
        small = Path(name) / DATABASE_FILE
        with duckdb.connect() as connection:
            connection.execute("load httpfs")
            connection.execute("set variable kept_key = ?", [KEPT_KEY])
            connection.execute(f"attach '{clear / DATABASE_FILE}' as clear (read_only)")
            connection.execute(f"attach '{small}' as small (encryption_key getvariable('kept_key'), block_size 16384)")
            connection.execute("copy from database clear to small")
            connection.execute("checkpoint small")
        with tarfile.open(KEPT, "w:gz") as archive:
            for path in (small, clear / SETTINGS_FILE):
                archive.add(path, f"registry/{path.name}")


if __name__ == "__main__":
    main()
