"""Whether one odds ratio holds at every cut of the rating."""

from __future__ import annotations

from pipelines.complication_model.measures import ERROR_RATIO, PROPORTIONAL_ODDS_P

from ... import wording
from ...layout import Cell, Row, Section, Table
from .._data import SessionModelData
from .._words import covariate_label, lowered

_SMALL_P = 0.05


def checks(data: SessionModelData) -> Section | None:
    """The check of proportional odds for satisfaction; that sessions of a patient go together for a complication."""
    errors = [figure.estimate or 0 for figure in data.model.of(ERROR_RATIO)]
    tests = data.model.of(PROPORTIONAL_ODDS_P)
    if data.kind.name == "scar-width":
        return None
    changing = [
        lowered(covariate_label(figure.group["covariate"]))
        for figure in tests
        if figure.group["covariate"] != "all" and (figure.estimate or 0) < _SMALL_P
    ]
    return Section(
        "checks",
        "Can it be believed?",
        "checks.html",
        {
            "kind": data.kind.name,
            "errors": f"{errors[0]:.2f}" if errors else "",
            "tested": bool(tests),
            "changing": wording.listed(changing),
            "table": Table(
                "Is the odds ratio the same wherever the line between lower and higher is drawn?",
                ("Covariate", "p"),
                tuple(
                    Row(covariate_label(figure.group["covariate"]), (Cell(wording.p_words(figure.estimate or 0)),))
                    for figure in tests
                ),
            ),
        },
    )
