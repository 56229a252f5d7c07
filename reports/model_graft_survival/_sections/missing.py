"""What is missing, and how the gaps were filled."""

from __future__ import annotations

from pipelines.graft_model.measures import MISSING

from ... import wording
from ...layout import Cell, Row, Section, Table
from .._data import GraftModelData
from .._words import covariate_label


def missing(data: GraftModelData) -> Section:
    """Counts by covariate, and how the gaps were filled."""
    model = data.model
    rows = tuple(
        Row(
            covariate_label(figure.group["covariate"]),
            (Cell(wording.whole(figure.events or 0)), Cell(wording.percent(figure.estimate or 0))),
        )
        for figure in model.of(MISSING)
    )
    return Section(
        "missing",
        "What is missing",
        "missing.html",
        {
            "table": Table("Areas for which a covariate is not known", ("Covariate", "Not known", "Share"), rows),
            "sets": model.sets,
            "without_gap": wording.whole(model.without_gap),
            "areas": wording.whole(model.areas),
        },
    )
