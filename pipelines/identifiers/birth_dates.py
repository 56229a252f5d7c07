"""Dates of birth among the dates of a file, told by the ages that they would make."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from .dates import WHOLE_DATE

YOUNGEST_YEARS, OLDEST_YEARS = 16, 100
_MOST_DATES, _MOST_AGES = 0.9, 0.8
_FEWEST_ROWS = 10
_ROWS_TRIED = 1_000
_GAP_YEARS = 10
_YEAR = r"(?:^|[^0-9])((?:19|20)[0-9]{2})(?:$|[^0-9])|^((?:19|20)[0-9]{2})[0-9]{4}$|^[0-9]{4}((?:19|20)[0-9]{2})$"
_SHORT_YEAR = r"^[0-9]{1,2}[-./][0-9]{1,2}[-./]([0-9]{2})(?:$|[ T])"


def year_columns(frame: pl.DataFrame) -> dict[str, pl.Series]:
    """The columns of text that hold dates, each as the year of every row; null where there is none."""
    return {name: _years(frame[name]) for name in frame.columns if _holds_dates(frame[name].drop_nulls())}


def _holds_dates(values: pl.Series) -> bool:
    share = values.head(_ROWS_TRIED).str.strip_chars().str.contains(WHOLE_DATE).mean()
    return isinstance(share, float) and share >= _MOST_DATES


def _years(column: pl.Series) -> pl.Series:
    """The year in each text; null where there is none. Texts that repeat are read once."""
    rows = pl.DataFrame({"text": column})
    distinct = rows.unique("text")
    read = distinct.with_columns(_years_of(distinct["text"].str.strip_chars()).alias("year"))
    return rows.join(read, on="text", how="left", maintain_order="left")["year"]


def _years_of(text: pl.Series) -> pl.Series:
    frame = pl.DataFrame({"text": text})
    year = pl.coalesce(pl.col("text").str.extract(_YEAR, group) for group in (1, 2, 3)).cast(pl.Int32)
    short = pl.col("text").str.extract(_SHORT_YEAR, 1).cast(pl.Int32)
    of_short = pl.when(short > 30).then(short + 1900).otherwise(short + 2000)
    return frame.select(pl.coalesce(year, of_short)).to_series()


def birth_date_columns(years: Mapping[str, pl.Series], today: date | None) -> list[str]:
    """The columns whose dates make most people 16 to 100 years old at the latest other date of their row.

    years: of `year_columns`. today: stands for the other dates in a file that holds no second column of dates.
    """
    found = []
    for name, births in years.items():
        others = [other for column, other in years.items() if column != name]
        frame = pl.DataFrame({"birth": births, **{str(at): other for at, other in enumerate(others)}})
        latest = pl.max_horizontal(pl.exclude("birth")) if others else pl.lit(today.year if today else None, pl.Int32)
        ages = frame.select((latest - pl.col("birth")).alias("age")).to_series().drop_nulls()
        if len(ages) >= _FEWEST_ROWS:
            plausible = ages.is_between(YOUNGEST_YEARS + 1, OLDEST_YEARS).mean()
            if isinstance(plausible, float) and plausible >= _MOST_AGES:
                found.append(name)
    return found


def stray_birth_dates(column: pl.Series) -> pl.Series:
    """Distinct values of a declared date field that lie apart: 16 to 100 years before most, ten years before any other.

    A single date of birth that slipped into a column of visits is found so; one among dates of early surgery is not.
    column: text; what is not written YYYY-MM-DD is not looked at.
    """
    rows = pl.DataFrame({"text": column, "on": column.str.to_date("%Y-%m-%d", strict=False)}).drop_nulls()
    none = pl.Series("text", [], pl.String)
    if rows.height < _FEWEST_ROWS:
        return none
    year = pl.col("on").dt.year()
    age = pl.lit(rows["on"].dt.year().median()) - year
    apart = (
        rows.unique("on")
        .sort("on")
        .filter(age.is_between(YOUNGEST_YEARS, OLDEST_YEARS) & (year.shift(-1) - year >= _GAP_YEARS))
    )
    if apart.is_empty():
        return none
    stray = rows.filter(pl.col("on") <= apart["on"].max())
    return stray["text"].unique() if stray.height <= max(1, rows.height // 100) else none
