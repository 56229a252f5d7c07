"""Who has a next session sooner: the regression of time to the next session."""

from __future__ import annotations

from .measures import MODEL_MEASURE_LABELS
from .model import NextSessionModel, next_session_model

__all__ = ["MODEL_MEASURE_LABELS", "NextSessionModel", "next_session_model"]
