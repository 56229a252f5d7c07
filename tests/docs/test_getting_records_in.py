"""The page on mappings: its examples are mappings that can be used."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from pipelines.mapping.load import parse_mapping
from pipelines.mapping.units import all_units

PAGE = (Path(__file__).parents[2] / "docs" / "getting_records_in.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("example", EXAMPLES)
def test_examples_can_be_used(example: str) -> None:
    assert parse_mapping(tomllib.loads(example), "example.toml").sources


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == 2


def test_every_unit_is_listed() -> None:
    listed = re.split(r"[\s`,]+", PAGE.split("the number's unit:")[1].split("Hairs")[0].replace(".", ""))
    assert all_units() - {"µm"} <= set(listed)
