"""What graft survival goes with: the regression of mature counts."""

from __future__ import annotations

from .measures import GRAFT_MODEL_LABELS
from .model import GraftModel, graft_model

__all__ = ["GRAFT_MODEL_LABELS", "GraftModel", "graft_model"]
