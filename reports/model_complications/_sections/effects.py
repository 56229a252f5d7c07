"""All effects, as a chart and a table; what was seen; who is not counted."""

from __future__ import annotations

from pipelines.figure import Figure
from pipelines.next_session_model.preparing import LEAST_EVENTS

from ... import wording
from ...charts.ratio_plot import RatioRow, difference_plot, ratio_plot, ratio_words
from ...layout import Cell, Picture, Row, Section, Table, capitalised, not_counted_table
from .._data import Measure, SessionModelData, grouped
from .._words import level_label, lowered, remark_words


def effects(data: SessionModelData) -> Section:
    """Chart, table of both analyses, means, remarks, and who is not counted."""
    label, analysis = data.analyses[0]
    figures = data.effects(data.main, analysis)
    rows = grouped(figures)
    return Section(
        "effects",
        data.main.head.partition(",")[0] + "s",
        "effects.html",
        {
            "kind": data.kind.name,
            "subject": data.kind.subject,
            "unit": data.kind.unit,
            "picture": _picture(data, rows),
            "analysis": label,
            "few": any("too_few" in figure.flags for figure in figures),
            "floor": data.settings.floor_denominator,
            "least_events": LEAST_EVENTS,
            "ratio": data.main.ratio,
            "per": f"{data.kind.measures[1].times:,}" if data.outcome else "",
            "means": _means(data),
            "table": _table(data),
            "remarks": [
                remark_words(remark, data.kind.unit, of_events=data.outcome is not None)
                for remark in data.model.remarks
            ],
            "not_counted": not_counted_table(
                f"{capitalised(data.kind.unit)}s in the model, and those that are not, by reason",
                "Analysis",
                [(capitalised(each), data.effects(data.main, name)[0]) for each, name in data.analyses],
                "Counted",
            ),
        },
    )


def _picture(data: SessionModelData, rows: list[RatioRow]) -> Picture:
    if data.main.ratio:
        return Picture(
            ratio_plot(rows, "effects", data.kind.scale),
            ratio_words(rows, f"odds ratios of {data.kind.subject}"),
            narrow=ratio_plot(rows, "effects-narrow", "Odds ratio (1: no difference)", narrow=True),
        )
    words = data.main.words
    return Picture(
        difference_plot(rows, "effects", data.kind.scale, words),
        ratio_words(rows, f"differences of {data.kind.subject} in millimetres", words),
        narrow=difference_plot(rows, "effects-narrow", "Millimetres (0: no difference)", words, narrow=True),
    )


def _table(data: SessionModelData) -> Table:
    columns = [(label, name, measure) for label, name in data.analyses for measure in data.kind.measures]
    of_columns = (f"{measure.column}, {label}" for label, _, measure in columns)
    heads = ("", f"Known {data.kind.unit}s", *of_columns)
    rows = []
    for row in grouped(data.effects(data.main, data.analyses[0][1])):
        figure = row.figure
        if figure is None:
            rows.append(Row(row.label))
            continue
        cells = [Cell("–" if figure.at_risk == figure.n else wording.whole(figure.at_risk or 0))]
        cells += [_cell(measure, data.matching(measure, name, figure)) for _, name, measure in columns]
        rows.append(Row(row.label, tuple(cells)))
    return Table(
        f"{capitalised(wording.listed([lowered(measure.head) for measure in data.kind.measures]))}, with 95% intervals",
        heads,
        tuple(rows),
        tuple(_of_analysis(data, label, data.effects(data.main, name)[0]) for label, name in data.analyses),
    )


def _cell(measure: Measure, figure: Figure | None) -> Cell:
    if figure is None or figure.estimate is None:
        return Cell("–")
    few = "too_few" in figure.flags
    value, _, limits = measure.words(figure).partition(" (")
    return Cell(value, (limits.rstrip(")"), *(("too few",) if few else ())), few)


def _of_analysis(data: SessionModelData, label: str, figure: Figure) -> str:
    rows = f"{wording.counted(figure.n, data.kind.unit)} of {wording.counted(figure.n_clusters or 0, 'patient')}"
    events = f", {wording.whole(figure.events)} with the outcome" if figure.events is not None else ""
    return f"{capitalised(label)}: {rows}{events}."


def _means(data: SessionModelData) -> Table | None:
    """What was seen by group, before anything is compared; None for a complication."""
    figures = data.model.of(data.kind.means) if data.kind.means else []
    if not figures:
        return None
    unit = "millimetres" if data.kind.name == "scar-width" else "points"
    rows = []
    for figure in figures:
        ((by, level),) = figure.group.items()
        few = "too_few" in figure.flags
        limits = () if figure.lower is None else (f"{figure.lower:.2f} to {figure.upper:.2f}",)
        rows.append(
            Row(
                level_label(by, level),
                (
                    Cell(wording.whole(figure.n)),
                    Cell(wording.whole(figure.n_clusters or 0)),
                    Cell(f"{figure.estimate:.2f}", (*limits, *(("too few",) if few else ())), few),
                ),
            )
        )
    return Table(
        f"Mean {'width of the scar' if data.kind.name == 'scar-width' else 'satisfaction'} as it was seen, {unit}",
        ("", f"{capitalised(data.kind.unit)}s", "Patients", "Mean"),
        tuple(rows),
    )
