"""Time to the next session: curves by age, and a table at marked years."""

from __future__ import annotations

from collections.abc import Iterable

from pipelines.figure import Figure
from registry import durations

from ... import wording
from ...charts import Curve, curve_panel
from ...charts.survival_curves import common_top, panel_words
from ...charts.theme import BLUE, VERMILLION
from ...held_back import held_back_words
from ...labels import group_label
from ...layout import Picture, Row, Section, Table, capitalised, not_counted_table, share_cell
from .._data import YEARS, AuditData

_ALL = "All ages"


def next_session(data: AuditData) -> Section:
    """Curves here and anywhere for all ages and each band of age."""
    here, anywhere = _by_band(data.here), _by_band(data.anywhere)
    names = list(dict.fromkeys([*here, *anywhere]))
    top = common_top([*data.here, *data.anywhere])
    pictures = []
    for number, band in enumerate(names, start=1):
        curves = [
            Curve("here", here.get(band, []), BLUE),
            Curve("anywhere", anywhere.get(band, []), VERMILLION, dashed=True),
        ]
        if not any(figure.n for curve in curves for figure in curve.figures):
            continue
        drawing = curve_panel(curves, f"next{number}", years=YEARS, top=top, axis_title="Years since the first session")
        title = _title(band)
        pictures.append(
            Picture(
                drawing, panel_words(f"chance of a next session, {title[0].lower()}{title[1:]}", curves, YEARS), title
            )
        )
    return Section(
        "next-session",
        "Time to the next session",
        "next_session.html",
        {
            "pictures": pictures,
            "tables": [_table("here", here), _table("anywhere", anywhere)],
            "not_counted": not_counted_table(
                "Patients counted and not counted, all ages",
                "Next session",
                [(name, bands[_ALL][0]) for name, bands in (("Here", here), ("Anywhere", anywhere))],
                "Counted",
            ),
            "held": held_back_words(data.intake),
            "floor": data.settings.floor_at_risk,
            "benchmark": data.settings.benchmarks.get("next_session_probability"),
        },
    )


def _by_band(figures: Iterable[Figure]) -> dict[str, list[Figure]]:
    bands: dict[str, list[Figure]] = {}
    for figure in figures:
        bands.setdefault(group_label(figure, _ALL), []).append(figure)
    return bands


def _title(band: str) -> str:
    return band if band == _ALL else f"Age {band}" if band != "not recorded" else "Age not recorded"


def _table(where: str, bands: dict[str, list[Figure]]) -> Table:
    years = [year for year in YEARS if year]
    rows = []
    for band, figures in bands.items():
        at = {figure.at: figure for figure in figures}
        rows.append(
            Row(
                capitalised(band),
                tuple(share_cell(at.get(durations.years(year)), at_risk=True) for year in years),
                more=wording.counted(figures[0].n, "patient"),
            )
        )
    heads = ("Age at first surgery", *(wording.counted(year, "year") for year in years))
    return Table(f"Share with a next session {where}, by age at first surgery", heads, tuple(rows))
