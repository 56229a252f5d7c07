"""Keys made from what tells a record apart: the same whenever the same record comes in again."""

from __future__ import annotations

import polars as pl

KEY_CHARACTERS = 32
_SEPARATOR = "\x1f"


def derived_keys(record_name: str, parts: list[pl.Series]) -> pl.Series:
    """The first half of the SHA-256 of the record type and the parts, in hexadecimal; null where a part is empty.

    The first part is a pseudonym, which is what keeps the key from being guessed back. Texts are hashed in UTF-8 with
    the unit separator between them.
    """
    import duckdb

    frame = pl.DataFrame({f"part_{position}": part for position, part in enumerate(parts)})
    text = frame.select(pl.concat_str([pl.lit(record_name), *frame.columns], separator=_SEPARATOR).alias("text"))
    with duckdb.connect() as connection:
        connection.register("part", text.to_arrow())
        keys = pl.from_arrow(
            connection.sql(f"select sha256(text)[1:{KEY_CHARACTERS}] as key from part").to_arrow_table()
        )
    assert isinstance(keys, pl.DataFrame)
    return keys["key"]
