"""The counts of one intake as figures."""

from __future__ import annotations

from collections.abc import Mapping

from .figure import Figure
from .intake_batch import Batch
from .intake_trend import row_share

_FATES: Mapping[str, str] = {
    "rows_read": "read",
    "rows_loaded": "loaded",
    "rows_corrected": "corrected",
    "rows_unchanged": "unchanged",
    "rows_held_back_then": "held_back",
    "rows_waiting_then": "waiting",
    "rows_refused": "refused",
    "rows_with_warning": "warned",
}


def batch_figures(batch: Batch, floor_denominator: int) -> tuple[Figure, ...]:
    """What became of the rows of each file; each check that rows failed; the rows held back, now and from before.

    Counts (method `count`, no estimate): `rows_read`, `rows_loaded`, `rows_corrected`, `rows_unchanged`,
    `rows_held_back_then` (when they came, waiting ones included), `rows_waiting_then`, `rows_refused` and
    `rows_with_warning`, grouped by file and record; `rows_held_back_by_status`, what became of them since;
    `earlier_rows_settled`, of earlier intakes, grouped by the intake and by how.
    Shares: `rows_failed`, of the rows that a check judged those that failed it, with the interval and cautions of
    `pipelines.intake_trend.row_share`. A row that fails two checks counts under both.
    floor_denominator: a share is flagged as too few below it.
    """
    figures = [
        _count(measure, getattr(file, fate), file=file.label, record=file.record)
        for file in batch.files
        for measure, fate in _FATES.items()
    ]
    figures += [
        row_share(
            "rows_failed",
            result.failed,
            result.judged,
            floor_denominator,
            {
                "record": result.record,
                "field": result.field,
                "rule": result.rule,
                "reason": result.reason,
                "severity": result.severity,
            },
        )
        for result in batch.results
        if result.failed
    ]
    figures += [_count("rows_held_back_by_status", rows, status=status) for status, rows in batch.entries.items()]
    figures += [
        _count(
            "earlier_rows_settled", getattr(settled, how), held_back_by_intake=str(settled.intake_id), settled_as=how
        )
        for settled in batch.settled
        for how in ("loaded", "corrected", "replaced")
    ]
    return tuple(figures)


def _count(measure: str, rows: int, **group: str) -> Figure:
    return Figure(measure, rows, "rows", "count", group=group)
