"""Whatever the bytes, nothing but a refusal in plain words is raised, and no value is in it."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.sources import SUFFIXES, read_source
from registry import GraftledgerError


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("sound")
    frame = pl.DataFrame({"größe": ["SECRETVALUE", 'a"b;c'], "n": ["1,5", None], "day": ["05.03.2024", "x\ny"]})
    frame.write_csv(folder / "file.csv", separator=";")
    frame.write_csv(folder / "file.tsv", separator="\t")
    frame.write_csv(folder / "file.txt", separator="|")
    frame.write_parquet(folder / "file.parquet")
    frame.write_ndjson(folder / "file.ndjson")
    frame.write_ndjson(folder / "file.jsonl")
    frame.write_excel(folder / "file.xlsx")
    return {suffix: (folder / f"file{suffix}").read_bytes() for suffix in SUFFIXES}


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None, max_examples=400
)
@given(data=st.data())
def test_mangled_files_are_read_or_refused(tmp_path: Path, sound: dict[str, bytes], data: st.DataObject) -> None:
    suffix = data.draw(st.sampled_from(SUFFIXES))
    content = bytearray(sound[suffix])
    for _ in range(data.draw(st.integers(1, 4))):
        position = data.draw(st.integers(0, len(content)))
        match data.draw(st.sampled_from(["cut", "insert", "overwrite", "drop"])):
            case "cut":
                del content[position:]
            case "insert":
                content[position:position] = data.draw(st.binary(max_size=8))
            case "overwrite":
                replacement = data.draw(st.binary(max_size=8))
                content[position : position + len(replacement)] = replacement
            case _:
                del content[position : position + data.draw(st.integers(1, 40))]
    path = tmp_path / f"mangled{suffix}"
    path.write_bytes(bytes(content))
    refused = ""
    try:
        for sheet in read_source(path):
            assert set(sheet.frame.dtypes) <= {pl.String}
            assert sheet.frame.height == len(sheet.row_numbers)
    except GraftledgerError as refusal:
        refused = str(refusal)
    assert "SECRETVALUE" not in refused


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=200)
@given(content=st.binary(min_size=1, max_size=200), suffix=st.sampled_from(SUFFIXES))
def test_random_bytes_are_read_or_refused(tmp_path: Path, content: bytes, suffix: str) -> None:
    path = tmp_path / f"random{suffix}"
    path.write_bytes(content)
    try:
        read_source(path)
    except GraftledgerError:
        return
