"""The page on who has a next session sooner, and the figures it shows."""

from ._build import FIGURES_FILE, PAGE_FILE, ModelDocument, build_model_page

__all__ = ["FIGURES_FILE", "PAGE_FILE", "ModelDocument", "build_model_page"]
