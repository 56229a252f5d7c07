"""What is missing, and what filling it in changes."""

from __future__ import annotations

from pipelines.next_session_model.measures import MISSING

from ... import wording
from ...layout import Cell, Row, Section, Table
from .._data import ModelData
from .._words import covariate_label


def missing(data: ModelData) -> Section:
    """Counts by covariate, and how the gaps were filled."""
    model = data.model
    figures = model.of(MISSING)
    return Section(
        "missing",
        "What is missing",
        "missing.html",
        {
            "table": Table(
                "Patients for whom a covariate is not known",
                ("Covariate", "Patients", "Not known", "Share"),
                tuple(
                    Row(
                        covariate_label(figure.group["covariate"]),
                        (
                            Cell(wording.whole(figure.n)),
                            Cell(wording.whole(figure.events or 0)),
                            Cell(wording.percent(figure.estimate or 0)),
                        ),
                    )
                    for figure in figures
                ),
            ),
            "sets": model.sets,
            "complete": wording.counted(model.complete, "patient"),
            "spells": wording.whole(model.spells),
            "lost": wording.percent(model.lost, 0),
        },
    )
