"""Complications of the first weeks, overall and by site, and which sessions are not counted."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines import MEASURE_LABELS, Figure
from pipelines.measures import WINDOW_MEASURES

from ... import wording
from ...charts import IntervalRow, interval_plot
from ...charts.interval_plot import plot_words
from ...intervals import interval_key, interval_picture
from ...labels import group_label, value_label
from ...layout import Cell, Picture, Row, Section, Table, not_counted_table
from .._data import AuditData
from .._intervals import benchmark_notes, rows_of, share_table

_AXIS = "Share of sessions assessed"
_EARLY = tuple(measure.name for measure in WINDOW_MEASURES)


def complications(data: AuditData) -> Section:
    """Shares as plots and tables; a group without an event keeps its row."""
    overall = [figure for name in _EARLY for figure in data.complications if figure.measure == name]
    rows = rows_of(overall, data)
    by_site = {
        MEASURE_LABELS[name]: [figure for figure in data.complications_by_site if figure.measure == name]
        for name in _EARLY
    }
    site_rows = [
        row for label, figures in by_site.items() if figures for row in (IntervalRow(label), *_site_rows(figures, data))
    ]
    return Section(
        "complications",
        "Complications of the first weeks",
        "complications.html",
        {
            "picture": interval_picture(rows, "early", "complications at all sites", _AXIS),
            "key": interval_key([*rows, *site_rows], data.settings.floor_denominator, "sessions assessed"),
            "table": share_table(
                "Complications at all sites",
                rows,
                head="Complication",
                counted="Sessions assessed",
                notes=benchmark_notes(rows, data),
            ),
            "windows": [(MEASURE_LABELS[figure.measure], figure.window) for figure in overall if figure.window],
            "not_counted": not_counted_table(
                "Sessions counted and not counted, all sites",
                "Complication",
                [(MEASURE_LABELS[figure.measure], figure) for figure in overall],
                "Assessed",
            ),
            "serious": Table(
                f"Severe complications that began in {data.quarter}",
                ("Kind", "Site", "Records", "Patients"),
                tuple(
                    Row(
                        value_label("kind", one.kind),
                        (Cell(one.site), Cell(wording.whole(one.records)), Cell(wording.whole(one.patients))),
                    )
                    for one in data.serious
                ),
                words=(1,),
            ),
            "site_pictures": [
                Picture(
                    interval_plot(panel := _site_rows(figures, data), f"early-site{number}", _AXIS, narrow=True),
                    plot_words(panel, f"{label.lower()} by site"),
                    label,
                )
                for number, (label, figures) in enumerate(by_site.items(), start=1)
                if figures
            ],
            "site_table": share_table(
                "Complications by site", site_rows, head="Complication", counted="Sessions assessed"
            ),
        },
    )


def _site_rows(figures: Sequence[Figure], data: AuditData) -> list[IntervalRow]:
    return rows_of(figures, data, group_label)
