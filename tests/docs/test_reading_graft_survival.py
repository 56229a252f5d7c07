"""The page on graft survival: its table is what the simulation prints, and its commands exist."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from reports.command_line._figure_requests import ANALYSES
from reports.command_line._graft_requests import GRAFT_ANALYSES

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "reading_graft_survival.md").read_text(encoding="utf-8")


def test_the_table_is_what_the_simulation_prints() -> None:
    """Regression only, but for the truth, which the simulation is drawn with."""
    script = ROOT / "benchmarks" / "who_was_counted.py"
    done = subprocess.run([sys.executable, str(script)], cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
    table = [line for line in PAGE.splitlines() if re.search(r"\| 0\.\d{3} \|", line)]
    assert len(table) == 3
    assert table == done.stdout.splitlines()


def test_every_analysis_of_graft_counts_is_on_the_page() -> None:
    named = set(re.findall(r"graftledger figures ([a-z-]+)", PAGE))
    assert named == set(GRAFT_ANALYSES)
    assert named <= set(ANALYSES)
