"""How complete and how long follow-up was: what stands beside every curve."""

from dataclasses import dataclass

import polars as pl

from pipelines.estimators.counts import event_columns, refuse, risk_table, whole_numbers
from pipelines.estimators.errors import CountsError
from pipelines.estimators.kaplan_meier import product_limit
from pipelines.estimators.survival_summaries import QuantileEstimate, quantile_with_limits


@dataclass(frozen=True)
class Completeness:
    """Share of the follow-up there could have been that there was.

    share: 0-1; None where nobody could have been followed. observed_days, potential_days: added up over people.
    people: how many. complete: how many of them were followed for all of their potential time.
    """

    share: float | None
    observed_days: int
    potential_days: int
    people: int
    complete: int


def follow_up_completeness(follow_up: pl.DataFrame, *, within_days: int | None = None) -> Completeness:
    """Observed person-time over potential person-time.

    Estimator: the sum of days observed over the sum of days until the closing date (the day to which a site's records
    are complete), each person's potential time ending with the event or death when that came sooner: nothing was
    missed then. With within_days both are cut at that many days, to stand beside a figure at that time.
    Assumes: the closing date is known for everyone, and records to it would have been seen had the person been
    followed. Misleads as a single number: 0.9 may be a tenth missing for everyone or one in ten never seen; and it does
    not tell whether those lost differ. Events without a contact before cannot lower it, so a patient who comes back
    only to be operated on counts as completely followed: read it with the weighted curve.
    Common practice, no source: below 0.8 the curve should carry a warning.
    follow_up: any number of rows, each adding up people alike. observed_days: whole days observed, 0 or more.
    potential_days: whole days until the closing date, or until the event or death, at least observed_days. people
    (optional): how many; absent = 1. within_days: 1 or more.
    Returns Completeness.
    Raises: CountsError, for negative numbers or more days observed than there could be; ValueError, for within_days.
    Source: Clark, Altman & De Stavola 2002, Lancet 359:1309-1310.

    >>> rows = pl.DataFrame({"observed_days": [100, 40, 300], "potential_days": [200, 40, 300], "people": [2, 1, 1]})
    >>> follow_up_completeness(rows)
    Completeness(share=0.7297297297297297, observed_days=540, potential_days=740, people=4, complete=2)
    """
    if within_days is not None and within_days < 1:
        raise ValueError(f"within_days {within_days}: expected at least 1")
    if "people" not in follow_up.columns:
        follow_up = follow_up.with_columns(people=pl.lit(1))
    # the day that an error names is the last one observed
    named = follow_up.rename({"observed_days": "exit_day"}) if "observed_days" in follow_up.columns else follow_up
    if "exit_day" not in named.columns:
        raise CountsError("missing column observed_days")
    rows = whole_numbers(named, ["exit_day", "potential_days", "people"])
    refuse(
        rows,
        {
            "observed_days is negative": pl.col("exit_day") < 0,
            "people is negative": pl.col("people") < 0,
            "observed for longer than possible": pl.col("potential_days") < pl.col("exit_day"),
        },
        day="exit_day",
    )
    if within_days is not None:
        rows = rows.with_columns(pl.col("exit_day", "potential_days").clip(upper_bound=within_days))
    people = pl.col("people")
    observed, potential, number, complete = rows.select(
        (pl.col("exit_day") * people).sum(),
        (pl.col("potential_days") * people).sum().alias("potential"),
        people.sum().alias("number"),
        people.filter(pl.col("exit_day") == pl.col("potential_days")).sum().alias("complete"),
    ).row(0)
    return Completeness(observed / potential if potential else None, observed, potential, number, complete)


def median_follow_up(spells: pl.DataFrame, level: float = 0.95) -> QuantileEstimate:
    """Median time that people would have been followed, had nobody had the event.

    Estimator: Kaplan-Meier with the roles swapped: the end of observation is the event, and events (of any cause, death
    among them) end it unseen. Limits as `quantile_with_limits`. On one day ends of observation come before events, as
    in R `survfit` with the status turned round.
    Assumes: the event carries no news of how long observation would have lasted. Misleads where people were taken in
    over many years: half are followed for less, and the newest hardly at all; and as a promise that nobody was lost:
    see `follow_up_completeness`.
    spells: as `risk_table`, with events or events_<cause>. level: above 0, below 1.
    Returns a QuantileEstimate of share 0.5, in days; None where fewer than half are known to have been followed so far.
    Raises: CountsError, as `risk_table`; ValueError, for level.
    Source: Schemper & Smith 1996, Control Clin Trials 17:343-346.

    >>> spells = pl.DataFrame({"exit_day": [2, 4, 6, 8], "events": [1, 0, 0, 0], "censored": [0, 1, 1, 1]})
    >>> median_follow_up(spells).estimate_days
    6.0
    """
    risk_table(spells)  # names what is wrong in the caller's words
    entry = ["entry_day"] if "entry_day" in spells.columns else []
    happened = pl.sum_horizontal(event_columns(spells))
    swapped = spells.select(*entry, "exit_day", events=pl.col("censored"), censored=happened)
    return quantile_with_limits(product_limit(risk_table(swapped)), 0.5, level)
