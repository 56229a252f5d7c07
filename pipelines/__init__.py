"""How records come in, and how figures are computed."""

from __future__ import annotations

from .complications import complications
from .data_summary import data_summary
from .figure import FLAG_LABELS, FLAGS, NOT_COUNTED_REASONS, REASON_LABELS, Figure
from .figure_set import FigureSet, figure_meta
from .graft_survival import graft_survival
from .groups import group_fields
from .intake_summary import intake_summary
from .measures import MEASURE_LABELS
from .next_session import further_sessions, next_session_causes, time_to_next_session

__all__ = [
    "FLAGS",
    "FLAG_LABELS",
    "MEASURE_LABELS",
    "NOT_COUNTED_REASONS",
    "REASON_LABELS",
    "Figure",
    "FigureSet",
    "complications",
    "data_summary",
    "figure_meta",
    "further_sessions",
    "graft_survival",
    "group_fields",
    "intake_summary",
    "next_session_causes",
    "time_to_next_session",
]
