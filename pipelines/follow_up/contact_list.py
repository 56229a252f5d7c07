"""Chart numbers beside the visits that are due: joined at the site, with the site's own key, and kept nowhere else."""

from __future__ import annotations

import polars as pl

from registry import Fault, GraftledgerError

from ..pseudonyms import PATIENT_KEY, PracticeKey
from ..pseudonyms.keyed import normalised, pseudonym

OTHER_KEYS = "other_patient_keys"


def contact_list(
    due: pl.DataFrame, charts: pl.DataFrame, key: PracticeKey, *, patient_column: str, due_label: str, charts_label: str
) -> tuple[pl.DataFrame, int]:
    """The visits due of the patients on a site's chart list, each with its row of the list.

    due: text columns as `visits-due` writes them. charts: the site's own list, text columns; patient_column holds the
    chart number, and whatever else stands there (a telephone number) is taken along. key: the practice's secret.
    due_label, charts_label: names of the files, for messages.
    Returns the visits with the columns of the list in front, in the order of the visits; and how many visits belong to
    nobody on the list. The same chart number twice counts once, with its first row.
    Raises: GraftledgerError where a column is missing, or no chart number belongs to any visit.
    """
    if patient_column not in charts.columns:
        mend = "Name the column with chart numbers: --patient-column NAME."
        raise GraftledgerError(Fault("there is no such column.", charts_label, field=patient_column, mend=mend))
    if PATIENT_KEY not in due.columns:
        mend = "Name a file that graftledger visits-due --csv has written."
        raise GraftledgerError(Fault("there is no such column.", due_label, field=PATIENT_KEY, mend=mend))
    listed = charts.filter(pl.col(patient_column).is_not_null())
    keys = [pseudonym(key, PATIENT_KEY, [normalised(number)]) for number in listed[patient_column]]
    own = {name: f"chart_{name}" for name in listed.columns if name in due.columns}
    listed = listed.rename(own).with_columns(pl.Series("key", keys, dtype=pl.String))
    listed = listed.unique("key", keep="first", maintain_order=True)
    joined = _with_all_keys(due).join(listed, on="key", how="inner", maintain_order="left")
    joined = joined.unique("visit", keep="first", maintain_order=True)
    if joined.is_empty() and due.height:
        raise GraftledgerError(
            Fault(
                "none of its chart numbers belongs to a visit that is due.",
                charts_label,
                mend="Is it the key with which the records were made, and does the list hold the same chart numbers?",
            )
        )
    columns = [name for name in listed.columns if name != "key"] + [name for name in due.columns if name != OTHER_KEYS]
    return joined.select(columns), due.height - joined.height


def _with_all_keys(due: pl.DataFrame) -> pl.DataFrame:
    """One row a visit and key: a patient may have come under several before they were merged."""
    others = pl.col(OTHER_KEYS).fill_null("").str.split(" ") if OTHER_KEYS in due.columns else pl.lit([""])
    return (
        due.with_row_index("visit")
        .with_columns(pl.concat_list(pl.col(PATIENT_KEY), others).alias("key"))
        .explode("key")
        .filter(pl.col("key") != "")
    )
