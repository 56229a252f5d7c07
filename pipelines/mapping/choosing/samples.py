"""Values as a sample that tells their form and nothing else."""

from __future__ import annotations

from ...sources import SourceSheet

SAMPLE_ROWS = 3
_LONGEST = 24


def masked_samples(sheet: SourceSheet, rows: int = SAMPLE_ROWS) -> dict[str, list[str]]:
    """The first filled cells of each column, with 9 for every digit and a for every letter; other signs stay.

    >>> import polars as pl
    >>> from pipelines.sources.sheet import make_sheet
    >>> frame = pl.DataFrame({"c": ["12.03.2024", None, "Mild, x"]})
    >>> masked_samples(make_sheet("f.csv", None, ["Day"], [frame], has_number_cells=False))
    {'Day': ['99.99.9999', 'aaaa, a']}
    """
    return {
        name: sheet.frame[name]
        .drop_nulls()
        .head(rows)
        .str.replace_all(r"\p{N}", "9")
        .str.replace_all(r"[\p{L}\p{M}]", "a")
        .str.slice(0, _LONGEST)
        .to_list()
        for name in sheet.frame.columns
    }
