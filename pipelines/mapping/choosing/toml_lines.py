"""A mapping's content as the text of its file: a table a source and a record, everything deeper on one line."""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Mapping as MappingOf
from typing import Any

from registry.definition import RECORD_TYPES

from ..propose.entries import toml_key, toml_text

_RECORDS = tuple(record.name for record in RECORD_TYPES)


def mapping_lines(data: MappingOf[str, Any]) -> str:
    """The text that reads back as the same content.

    >>> print(mapping_lines({"site": "A", "source": [{"drop": ["x"], "visit": {"kind": {"codes": {"a b": "mild"}}}}]}))
    site = "A"
    <BLANKLINE>
    [[source]]
    drop = ["x"]
    <BLANKLINE>
    [source.visit]
    kind = { codes = { "a b" = "mild" } }
    <BLANKLINE>
    """
    lines = [f"{toml_key(key)} = {_inline(value)}" for key, value in data.items() if key not in ("codes", "source")]
    for name, codes in data.get("codes", {}).items():
        lines += ["", f"[codes.{toml_key(name)}]", *_pairs(codes)]
    for source in data.get("source", []):
        lines += ["", "[[source]]", *_pairs({key: value for key, value in source.items() if key not in _RECORDS})]
        for record in (key for key in source if key in _RECORDS):
            entries = source[record]
            for entry in entries if isinstance(entries, list) else [entries]:
                lines += ["", f"[[source.{record}]]" if isinstance(entries, list) else f"[source.{record}]"]
                lines += _pairs(entry)
    return "\n".join(lines) + "\n"


def _pairs(table: MappingOf[str, Any]) -> Iterator[str]:
    for key, value in table.items():
        yield f"{toml_key(key)} = {_inline(value)}"


def _inline(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{ " + ", ".join(_pairs(value)) + " }" if value else "{}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_inline, value)) + "]"
    return toml_text(value) if isinstance(value, str) else repr(value)
