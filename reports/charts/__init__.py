"""Charts of figures: Altair specifications drawn as SVG while the report is built, so that a page needs no script."""

from .batch_trend import TrendStep, trend_panel
from .interval_plot import IntervalRow, interval_plot
from .survival_curves import Curve, curve_panel
from .svg import Drawing

__all__ = ["Curve", "Drawing", "IntervalRow", "TrendStep", "curve_panel", "interval_plot", "trend_panel"]
