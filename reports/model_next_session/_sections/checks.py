"""Whether the model can be believed."""

from __future__ import annotations

from pipelines.figure import Figure
from pipelines.next_session_model.checks import PLAN
from pipelines.next_session_model.measures import (
    CONCORDANCE,
    INFLUENCE,
    OBSERVED,
    PLAN_AS_STRATUM,
    PREDICTED,
    PROPORTIONAL_HAZARDS_P,
)
from registry.durations import time_label

from ... import wording
from ...charts.calibration_plot import calibration_plot
from ...layout import Cell, Picture, Row, Section, Table, share_cell
from .._data import ModelData
from .._words import covariate_label

_SMALL_P = 0.05


def checks(data: ModelData) -> Section:
    """Proportional hazards and influence by covariate, calibration, concordance."""
    model = data.model
    tests = model.of(PROPORTIONAL_HAZARDS_P)
    changing = [
        figure.group["covariate"]
        for figure in tests
        if figure.group["covariate"] != "all" and (figure.estimate or 0) < _SMALL_P
    ]
    plan = model.of(PLAN_AS_STRATUM)
    return Section(
        "checks",
        "Can it be believed?",
        "checks.html",
        {
            "changing": wording.listed([covariate_label(name).lower() for name in changing]),
            "plan_changes": PLAN in changing,
            "plan": wording.percent(plan[0].estimate, 0) if plan and plan[0].estimate is not None else "",
            "table": _table(data, tests),
            "influence": _influence(model.of(INFLUENCE)),
            **_calibration(data),
            "concordance": [_concordance(figure) for figure in model.of(CONCORDANCE) if figure.estimate is not None],
        },
    )


def _table(data: ModelData, tests: list[Figure]) -> Table:
    pulls = {figure.group["covariate"]: figure.estimate for figure in data.model.of(INFLUENCE)}
    rows = []
    for figure in tests:
        name = figure.group["covariate"]
        pull = pulls.get(name)
        rows.append(
            Row(
                covariate_label(name),
                (Cell(p_words(figure.estimate)), Cell("–" if pull is None else f"{pull:.2f}")),
            )
        )
    return Table(
        "Does each ratio stay the same over time, and does one patient alone move it?",
        ("Covariate", "p, same ratio over time", "Largest pull of one patient, in standard errors"),
        tuple(rows),
    )


def p_words(p: float | None) -> str:
    """A p value.

    >>> p_words(0.0000012), p_words(0.0312), p_words(0.4)
    ('below 0.001', '0.031', '0.40')
    """
    if p is None:
        return "–"
    return "below 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def _influence(figures: list[Figure]) -> str:
    worst = max(figures, key=lambda figure: figure.estimate or 0)
    pull = worst.estimate or 0
    name = covariate_label(worst.group["covariate"]).lower()
    text = f"The patient who matters most moves a coefficient of {name} by {pull:.1f} of its standard error. "
    return text + (
        "No single patient carries a result."
        if pull < 1
        else "That is much: read this covariate as resting on very few."
    )


def _calibration(data: ModelData) -> dict[str, object]:
    predicted, seen = data.model.of(PREDICTED), data.model.of(OBSERVED)
    if not predicted:
        return {"calibration": None, "calibration_table": None, "at": "", "not_followed": ""}
    pairs = list(zip(predicted, seen, strict=True))
    at = time_label(predicted[0].at or 0)
    table = Table(
        f"Predicted and seen share with a next session here within {at}",
        ("Patients by predicted share", "Patients", "Predicted", "Seen"),
        tuple(
            Row(
                one.group["predicted_part"],
                (
                    Cell(wording.whole(one.n)),
                    Cell(wording.percent(one.estimate or 0)),
                    share_cell(other, at_risk=True),
                ),
            )
            for one, other in pairs
        ),
    )
    words = "; ".join(
        f"{one.group['predicted_part']}: predicted {wording.percent(one.estimate or 0)}, "
        f"seen {wording.estimate_words(other)}"
        for one, other in pairs
    )
    picture = Picture(
        calibration_plot(pairs, "calibration"),
        f"Predicted against seen share with a next session within {at}. {words}. The table gives the same numbers.",
        narrow=calibration_plot(pairs, "calibration-narrow", narrow=True),
    )
    outside = data.model.spells - sum(one.n for one in predicted)
    return {
        "calibration": picture,
        "calibration_table": table,
        "at": at,
        "not_followed": wording.counted(outside, "patient") if outside else "",
    }


def _concordance(figure: Figure) -> str:
    assert figure.estimate is not None
    limits = (
        f" ({wording.level_words(figure.level)} interval {figure.lower:.2f} to {figure.upper:.2f})"
        if figure.lower is not None and figure.upper is not None
        else ""
    )
    if figure.method == "uno_c":
        return (
            f"Uno’s c, up to {(figure.at or 0) / 365.25:.1f} years, which does not depend on how long people were "
            f"followed: {figure.estimate:.2f}{limits}."
        )
    return f"Harrell’s c, within sites: {figure.estimate:.2f}{limits}."
