"""The same covariates in forms that use every session, or count death."""

from __future__ import annotations

from pipelines.next_session_model.measures import COMPLETE, DEATH_COMPETING, GAP_TIME, TOTAL_TIME

from ... import wording
from ...layout import Row, Section, Table
from ...ratio_rows import ratio_cell
from .._data import ModelData
from .ratios import grouped

_FORMS = (
    ("First session", COMPLETE),
    ("From each session to the next", GAP_TIME),
    ("All sessions, one clock", TOTAL_TIME),
    ("Before death", DEATH_COMPETING),
)


def forms(data: ModelData) -> Section | None:
    """None where they were not asked for."""
    if not data.recurrent:
        return None
    shown = [(label, data.ratios(name)) for label, name in _FORMS if data.ratios(name)]
    missing = [label for label, name in _FORMS if not data.ratios(name)]
    rows = []
    for row in grouped(shown[0][1] if shown else []):
        if row.figure is None:
            rows.append(Row(row.label))
            continue
        figure = row.figure
        rows.append(
            Row(
                row.label,
                tuple(ratio_cell(data.matching(name, figure)) for label, name in _FORMS if label not in missing),
            )
        )
    return Section(
        "forms",
        "Every session",
        "forms.html",
        {
            "table": Table(
                "Ratios in four forms, complete cases, with 95% intervals",
                ("", *(label for label, _ in shown)),
                tuple(rows),
                tuple(
                    f"{label}: {wording.counted(figures[0].n, figures[0].n_unit[:-1])} of "
                    f"{wording.counted(figures[0].n_clusters or 0, 'patient')}, "
                    f"{wording.whole(figures[0].events or 0)} next sessions."
                    for label, figures in shown
                ),
            ),
            "missing": wording.listed([label.lower() for label in missing]),
        },
    )
