"""Shares of rows held back and warned, by rule, by record type, and from batch to batch of one site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from registry import Registry

from .estimators.proportion import wilson
from .figure import Figure


@dataclass(frozen=True)
class SiteBatch:
    """The files of one intake that hold rows of a site. held_back: of the rows judged; warned: of those taken in."""

    intake_id: int
    received_at: datetime
    read: int
    held_back: Figure
    warned: Figure


def row_share(
    measure: str, rows: int, of_rows: int, floor_denominator: int, group: Mapping[str, str] | None = None
) -> Figure:
    """A share of rows, with its Wilson interval.

    Assumes: rows that fail independently of each other. One wrong column fails many rows at once; then the interval
    is too narrow, and says how sure the share is only if the next batch were made in the same way.
    rows, of_rows: counts. floor_denominator: the share is flagged as too few below it. Returns a share, 0-1; without
    an estimate where there are no rows.
    Source: as `pipelines.estimators.proportion.wilson`.

    >>> figure = row_share("held_back", 15, 148, 10)
    >>> round(figure.lower, 4), round(figure.upper, 4)
    (0.0624, 0.1605)
    """
    flags = ("too_few",) if of_rows < floor_denominator else ()
    if of_rows == 0:
        return Figure(measure, 0, "rows", "wilson", group=group or {}, events=0, flags=flags)
    found = wilson(rows, of_rows)
    return Figure(
        measure,
        of_rows,
        "rows",
        "wilson",
        group=group or {},
        estimate=found.estimate,
        lower=found.lower,
        upper=found.upper,
        events=rows,
        flags=flags,
    )


def site_trend(registry: Registry, site: str, *, until_intake: int) -> tuple[SiteBatch, ...]:
    """The batches of a site up to one, the oldest first.

    A batch counts with the files that hold rows of the site, and with those of no known site where no other site is
    in the batch. A file with rows of several sites counts under each of them, whole.
    """
    rows = registry.connection.execute(
        """
        with batch as (
            select intake_id, list_distinct(flatten(list(site_codes))) as sites from intake_file group by all
        )
        select intake_id, received_at, sum(rows_read)::bigint, sum(rows_read - rows_unchanged)::bigint,
            sum(rows_held_back)::bigint, sum(rows_loaded + rows_corrected)::bigint, sum(rows_warned)::bigint
        from intake_file join batch using (intake_id) join intake using (intake_id)
        where intake_id <= $until and kind = 'files'
            and (list_contains(site_codes, $site) or (site_codes = [] and sites = [$site]))
        group by all order by intake_id
        """,
        {"until": until_intake, "site": site},
    ).fetchall()
    floor = registry.settings.floor_denominator
    return tuple(
        SiteBatch(
            intake_id,
            received_at,
            read,
            row_share("rows_held_back", held_back, judged, floor, {"site_code": site, "intake": str(intake_id)}),
            row_share("rows_warned", warned, taken_in, floor, {"site_code": site, "intake": str(intake_id)}),
        )
        for intake_id, received_at, read, judged, held_back, taken_in, warned in rows
    )
