"""With what complications, the width of scars and satisfaction go: regressions over sessions."""

from __future__ import annotations

from .measures import SESSION_MODEL_LABELS
from .model import complication_model
from .outcomes import OUTCOMES
from .result import SessionModel
from .scar_and_satisfaction import satisfaction_model, scar_width_model

__all__ = [
    "OUTCOMES",
    "SESSION_MODEL_LABELS",
    "SessionModel",
    "complication_model",
    "satisfaction_model",
    "scar_width_model",
]
