"""What is missing, and what filling it in changes."""

from __future__ import annotations

from pipelines.complication_model.measures import MISSING

from ... import wording
from ...layout import Cell, Row, Section, Table, capitalised
from .._data import SessionModelData
from .._words import covariate_label


def missing(data: SessionModelData) -> Section:
    """Counts by covariate, and how the gaps were filled."""
    model = data.model
    rows = f"{capitalised(data.kind.unit)}s"
    return Section(
        "missing",
        "What is missing",
        "missing.html",
        {
            "table": Table(
                f"{rows} for which a covariate is not known",
                ("Covariate", rows, "Not known", "Share"),
                tuple(
                    Row(
                        covariate_label(figure.group["covariate"]),
                        (
                            Cell(wording.whole(figure.n)),
                            Cell(wording.whole(figure.events or 0)),
                            Cell(wording.percent(figure.estimate or 0)),
                        ),
                    )
                    for figure in model.of(MISSING)
                ),
            ),
            "sets": model.sets,
            "complete": wording.counted(model.complete, data.kind.unit),
            "rows": wording.whole(model.sessions),
            "lost": wording.percent(model.lost, 0),
        },
    )
