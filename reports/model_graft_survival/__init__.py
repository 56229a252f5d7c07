"""The page on what graft survival goes with, and the figures it shows."""

from ._build import FIGURES_FILE, PAGE_FILE, GraftModelDocument, build_graft_model_page

__all__ = ["FIGURES_FILE", "PAGE_FILE", "GraftModelDocument", "build_graft_model_page"]
