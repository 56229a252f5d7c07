"""What a command writes is its owner's alone, whatever the system would allow by itself."""

from __future__ import annotations

import stat
import subprocess
import sys
from pathlib import Path

import pytest

_COMMAND = """
import os, sys
os.umask(0o022)
sys.argv = ["graftledger", *sys.argv[1:]]
from reports.command_line import main
try:
    main()
except SystemExit as ended:
    assert not ended.code, ended.code
"""
_LOG = """
from pathlib import Path
from registry.store import open_registry
with open_registry(Path(sys.argv[2]), read_only=False) as registry:
    registry.connection.execute("create table more as select 1 as n")
    (log,) = Path(sys.argv[2]).glob("*.wal")
    print(oct(log.stat().st_mode & 0o777))
"""


def _run(code: str, *arguments: str) -> str:
    line = [sys.executable, "-c", code, *arguments]
    return subprocess.run(line, capture_output=True, text=True, check=True).stdout


@pytest.mark.skipif(sys.platform == "win32", reason="no such modes")
def test_files_folders_and_the_log_of_the_engine(tmp_path: Path) -> None:
    out = tmp_path / "registry"
    options = ("start", str(out), "--practice", "A practice", "--sites", "A", "--surgeons", "S1")
    assert _run(_COMMAND + _LOG, *options).splitlines()[-1] == "0o600"
    _run(_COMMAND, "templates", str(tmp_path / "templates"))
    paths = [out, *out.rglob("*"), *(tmp_path / "templates").rglob("*")]
    assert len(paths) > 5
    assert [path.name for path in paths if stat.S_IMODE(path.stat().st_mode) & 0o077] == []
