"""The sheet for the next consultation."""

from ._build import FIGURES_FILE, PRINT_FILE, SHEET_FILE, ConsultationSheet, build_sheet
from ._words import CAUTION, TOPICS, basis_words, line_words, lines_of

__all__ = [
    "CAUTION",
    "FIGURES_FILE",
    "PRINT_FILE",
    "SHEET_FILE",
    "TOPICS",
    "ConsultationSheet",
    "basis_words",
    "build_sheet",
    "line_words",
    "lines_of",
]
