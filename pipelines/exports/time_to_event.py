"""A time-to-event table laid out after the public CDISC ADaM basic data structure for time-to-event analyses.

Conformant in spirit: one row a subject and parameter, PARAMCD, AVAL, CNSR (0 an event, above 0 censored), STARTDT, ADT,
EVNTDESC. Not conformant: no ADSL, no traceability variables, no treatment, no Define-XML; AVAL counts from 0, and
ENTRYDY, which is ours, says from which day a patient is observed (delayed entry).
Source: CDISC, The ADaM Basic Data Structure for Time-to-Event Analyses, version 1.0 (2012), recalled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.definition import Code

from .columns import Column, Level, Type
from .tables import Table

if TYPE_CHECKING:
    import polars as pl

_NEXT = ("Time to the next session at this practice", "NXTSESS")
_ENDED = (Code("EVENT", "The next session"), Code("RECORDS", "End of records"), Code("DEATH", "Death"))


def time_to_event(gaps: pl.LazyFrame, level: Level, cohort: str) -> tuple[Table, pl.LazyFrame]:
    """The table and its rows, from each patient's gap after the index session where the first surgery was here."""
    import polars as pl

    first = gaps.filter((pl.col("gap_number") == 1) & pl.col("first_operated_here"))
    dates = [] if level is Level.ANONYMOUS else [pl.col("start_on").alias("STARTDT"), pl.col("stop_on").alias("ADT")]
    told_apart = "died" in gaps.collect_schema().names()  # or deaths are too few
    died = pl.col("died") if told_apart else pl.lit(False)
    frame = first.select(
        pl.lit(cohort).alias("STUDYID"),
        pl.col("patient_key").alias("USUBJID"),
        pl.lit(_NEXT[0]).alias("PARAM"),
        pl.lit(_NEXT[1]).alias("PARAMCD"),
        *dates,
        pl.col("stop").alias("AVAL"),
        pl.lit("DAYS").alias("AVALU"),
        pl.col("start").alias("ENTRYDY"),
        pl.when(pl.col("event")).then(0).when(died).then(2).otherwise(1).cast(pl.Int64).alias("CNSR"),
        pl.when(pl.col("event"))
        .then(pl.lit("EVENT"))
        .when(died)
        .then(pl.lit("DEATH"))
        .otherwise(pl.lit("RECORDS"))
        .alias("EVNTDESC"),
    ).sort("USUBJID")
    columns = (
        Column("STUDYID", Type.TEXT, "Study Identifier", "Name of the cohort.", "", required=True),
        Column("USUBJID", Type.TEXT, "Unique Subject Identifier", "The patient's key.", "", refers_to="patients"),
        Column("PARAM", Type.TEXT, "Parameter", "What the time runs to, in words.", "", required=True),
        Column("PARAMCD", Type.TEXT, "Parameter Code", "What the time runs to.", "", required=True),
        Column("STARTDT", Type.DATE, "Time to Event Origin Date for Subject", "Day of the index session.", ""),
        Column("ADT", Type.DATE, "Analysis Date", "Day of the event or of censoring.", ""),
        Column("AVAL", Type.INTEGER, "Analysis Value", "Days from the index session; 0 is its day.", "", unit="days"),
        Column("AVALU", Type.TEXT, "Analysis Value Unit", "Unit of AVAL.", ""),
        Column("ENTRYDY", Type.INTEGER, "Day of Entry", "Day from which the patient is observed.", "", unit="days"),
        Column("CNSR", Type.INTEGER, "Censor", "0 an event, 1 end of records, 2 death.", "", low=0, high=2),
        Column("EVNTDESC", Type.CODE, "Event or Censoring Description", "What ended the time.", "", codes=_ENDED),
    )
    names = frame.collect_schema().names()
    table = Table(
        "adtte",
        "ADTTE",
        "Time-to-event analysis dataset",
        "One row a patient first operated on here: the time to the next session, laid out after the CDISC ADaM basic "
        "structure for time-to-event. Not conformant: no ADSL, treatment, traceability or Define-XML; AVAL counts from "
        "0; ENTRYDY is ours.",
        ("USUBJID", "PARAMCD"),
        tuple(column for column in columns if column.name in names),
        "",
    )
    return table, frame
