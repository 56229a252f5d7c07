"""Calibration of a case-mix model as a plot."""

from __future__ import annotations

from pipelines.comparison.case_mix import CaseMixModel
from pipelines.comparison.figures import calibration_pairs

from ..charts.calibration_plot import calibration_plot
from ..charts.svg import Drawing


def calibration_drawing(model: CaseMixModel, *, narrow: bool = False) -> Drawing | None:
    """The plot; None where there is nothing to draw."""
    pairs = calibration_pairs(model)
    return calibration_plot(pairs, f"calibration-{model.measure}", narrow=narrow) if pairs else None
