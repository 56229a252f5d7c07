"""From batch to batch: shares held back and warned of each site, up to this intake."""

from __future__ import annotations

from collections.abc import Callable

from pipelines import Figure
from pipelines.intake_trend import SiteBatch

from ... import wording
from ...charts import TrendStep, trend_panel
from ...charts.batch_trend import trend_words
from ...charts.survival_curves import common_top
from ...layout import Cell, Picture, Row, Section, Table, share_cell
from .._data import IntakeData, SiteTrend

_SHARES: dict[str, tuple[str, Callable[[SiteBatch], Figure]]] = {
    "held-back": ("rows held back", lambda step: step.held_back),
    "warned": ("rows with a warning", lambda step: step.warned),
}


def trend(data: IntakeData) -> Section:
    """A pair of panels a site, the same numbers as a table, and how to read them."""
    return Section(
        "trend",
        "From batch to batch",
        "trend.html",
        {
            "sentences": [_sentence(trend) for trend in data.trends],
            "pictures": _pictures(data),
            "floor": data.floor,
            "few": any("too_few" in figure.flags and figure.n for figure in _figures(data)),
            "table": _table(data),
        },
    )


def _figures(data: IntakeData) -> list[Figure]:
    return [figure for trend in data.trends for step in trend.batches for figure in (step.held_back, step.warned)]


def _sentence(trend: SiteTrend) -> str:
    """What this batch had held back, beside the one before."""
    *before, this = trend.batches
    words = (
        f"Site {trend.site}: {wording.share_words(this.held_back)} held back, "
        f"{wording.fraction(this.held_back)} rows judged{_few_words(this.held_back)}"
    )
    if not before:
        return f"{words}. It is the first batch of the site."
    return (
        f"{words}; in its batch before, {wording.share_words(before[-1].held_back)}{_few_words(before[-1].held_back)}."
    )


def _few_words(figure: Figure) -> str:
    return " (too few to read)" if "too_few" in figure.flags else ""


def _pictures(data: IntakeData) -> list[Picture]:
    tops = {
        name: common_top([of(step) for trend in data.trends for step in trend.batches])
        for name, (_, of) in _SHARES.items()
    }
    pictures = []
    for trend in data.trends:
        for name, (words, of) in _SHARES.items():
            title = f"Site {trend.site}: {words}"
            panel = [TrendStep(str(step.intake_id), of(step)) for step in trend.batches]
            drawing = trend_panel(panel, f"trend-{name}-{trend.site}", top=tops[name], axis_title="Intake")
            pictures.append(Picture(drawing, trend_words(title, panel), title))
    return pictures


def _table(data: IntakeData) -> Table:
    rows = []
    for trend in data.trends:
        rows.append(Row(f"Site {trend.site}"))
        rows += [
            Row(f"Intake {step.intake_id}", _cells(step), more=wording.date_words(step.received_at.date()))
            for step in trend.batches
        ]
    notes = tuple(
        f"Site {trend.site}: {wording.counted(trend.left_out, 'earlier batch', 'earlier batches')} not shown."
        for trend in data.trends
        if trend.left_out
    )
    heads = ("Batch", "Rows judged", "Held back", "Share", "Rows taken in", "With a warning", "Share")
    return Table("Rows held back and rows with a warning, by batch", heads, tuple(rows), notes)


def _cells(step: SiteBatch) -> tuple[Cell, ...]:
    return tuple(
        cell
        for figure in (step.held_back, step.warned)
        for cell in (Cell(wording.whole(figure.n)), Cell(wording.whole(figure.events or 0)), share_cell(figure))
    )
