"""The page on durations: its table is what the simulation prints."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHARES = re.compile(r"\d\.\d{3}")


@pytest.mark.slow
def test_the_table_is_what_the_simulation_prints() -> None:
    """Regression only, but for the first row, which the law itself gives."""
    script = ROOT / "benchmarks" / "first_gone_visit.py"
    done = subprocess.run([sys.executable, str(script)], stdout=subprocess.PIPE, text=True, check=True)
    printed = [SHARES.findall(line) for line in done.stdout.splitlines() if SHARES.search(line)]
    page = (ROOT / "docs" / "reading_durations.md").read_text(encoding="utf-8")
    table = [SHARES.findall(line) for line in page.splitlines() if line.startswith("|") and SHARES.search(line)]
    assert len(printed) == 9
    assert table == printed
