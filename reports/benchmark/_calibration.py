"""Calibration of a case-mix model as a plot."""

from __future__ import annotations

from pipelines.comparison.calibration import Calibration
from pipelines.comparison.figures import calibration_pairs
from pipelines.comparison.measures import ComparedMeasure

from ..charts.calibration_plot import calibration_plot
from ..charts.svg import Drawing


def calibration_drawing(
    checks: Calibration, measure: ComparedMeasure, name: str, *, narrow: bool = False
) -> Drawing | None:
    """The plot; None where there is nothing to draw."""
    pairs = calibration_pairs(checks, measure)
    return calibration_plot(pairs, name, narrow=narrow) if pairs else None
