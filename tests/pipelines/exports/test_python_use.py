"""The Python of docs/for_researchers.md, run as it stands there. Expected: *by hand*, counts by DuckDB itself."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa
import pytest

from registry import open_registry
from registry.store import DATABASE_FILE

PAGE = Path(__file__).parents[3] / "docs" / "for_researchers.md"


def test_what_the_page_shows_runs(clinics: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, *blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert folder == 'folder = "path/to/registry"\n'
    assert len(blocks) == 2
    names: dict[str, Any] = {"folder": str(clinics)}
    for block in blocks:
        exec(compile(block, str(PAGE), "exec"), names)
    with duckdb.connect(str(clinics / DATABASE_FILE), read_only=True) as connection:
        counts = {
            name: connection.execute(f"select count(*) from {name}").fetchall()[0][0] for name in ("session", "visit")
        }
    assert isinstance(names["sessions"], pl.DataFrame)
    assert isinstance(names["visits"], pa.Table)
    assert (names["sessions"].height, names["visits"].num_rows) == (counts["session"], counts["visit"])
    printed = capsys.readouterr().out
    assert "strip" in printed
    assert [line.split()[0] for line in printed.splitlines()[-2:]] == ["365", "1826"]


def test_nothing_can_be_written(clinics: Path) -> None:
    with open_registry(clinics) as registry, pytest.raises(duckdb.Error, match="read-only"):
        registry.connection.execute("delete from patient")
