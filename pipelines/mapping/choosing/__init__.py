"""Deciding a mapping by choosing: what is open, what can be chosen, and the mapping with the choices made."""

from __future__ import annotations

from .applying import with_choices
from .questions import LEAVE_OUT, Placement, Question, SheetChoices, choices_of, mapping_data
from .samples import masked_samples
from .toml_lines import mapping_lines

__all__ = [
    "LEAVE_OUT",
    "Placement",
    "Question",
    "SheetChoices",
    "choices_of",
    "mapping_data",
    "mapping_lines",
    "masked_samples",
    "with_choices",
]
