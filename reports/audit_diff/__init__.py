"""What changed between two audits and why: read from the figures that each keeps beside its page."""

from ._build import build_diff, diff_lines
from ._read import FIGURES_FILE, read_figures

__all__ = ["FIGURES_FILE", "build_diff", "diff_lines", "read_figures"]
