"""Fictional clinics with a known truth."""

from __future__ import annotations

from .clinics import DATA_DATE, SITES, SURGEONS
from .model import MODEL, Model
from .simulation import Simulated, simulate
from .truth import Quantity, Truth, model_truth
from .writing import Synthesised, synthesise

__all__ = [
    "DATA_DATE",
    "MODEL",
    "SITES",
    "SURGEONS",
    "Model",
    "Quantity",
    "Simulated",
    "Synthesised",
    "Truth",
    "model_truth",
    "simulate",
    "synthesise",
]
