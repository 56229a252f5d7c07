"""With what complications, the width of scars and satisfaction go: regressions over sessions."""

from __future__ import annotations

from .measures import SESSION_MODEL_LABELS
from .model import complication_model
from .outcomes import OUTCOMES
from .result import SessionModel

__all__ = ["OUTCOMES", "SESSION_MODEL_LABELS", "SessionModel", "complication_model"]
