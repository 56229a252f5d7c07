"""The pages on with what complications, the width of scars and satisfaction go, and the figures they show."""

from ._build import FIGURES_FILE, SessionModelDocument, build_session_model_page, page_file

__all__ = ["FIGURES_FILE", "SessionModelDocument", "build_session_model_page", "page_file"]
