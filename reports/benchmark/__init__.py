"""The page that sets a surgeon's own results beside those of blinded peers, and the figures that it shows."""

from ._build import FIGURES_FILE, PAGE_FILE, PDF_FILE, BenchmarkDocument, build_benchmark
from ._calibration import calibration_drawing
from ._write import write_benchmark

__all__ = [
    "FIGURES_FILE",
    "PAGE_FILE",
    "PDF_FILE",
    "BenchmarkDocument",
    "build_benchmark",
    "calibration_drawing",
    "write_benchmark",
]
