"""How records come in, and how figures are computed."""

from __future__ import annotations

from .clavien_dindo import clavien_dindo
from .complication_incidence import complication_incidence
from .complication_sensitivity import complication_sensitivity
from .complications import complications
from .complications_over_time import complications_over_time
from .data_summary import data_summary
from .duration_laws import duration_laws
from .duration_measures import DURATION_LABELS, DURATION_MEASURES
from .figure import FLAG_LABELS, FLAGS, NOT_COUNTED_REASONS, REASON_LABELS, Figure
from .figure_set import FigureSet, figure_meta
from .graft_survival import graft_survival
from .graft_yield import count_agreement, donor_use, graft_survival_model, graft_survival_selection, growth
from .groups import group_fields
from .healing_durations import compare_durations, durations
from .intake_summary import intake_summary
from .measures import MEASURE_LABELS
from .next_session import further_sessions, next_session_causes, time_to_next_session

__all__ = [
    "DURATION_LABELS",
    "DURATION_MEASURES",
    "FLAGS",
    "FLAG_LABELS",
    "MEASURE_LABELS",
    "NOT_COUNTED_REASONS",
    "REASON_LABELS",
    "Figure",
    "FigureSet",
    "clavien_dindo",
    "compare_durations",
    "complication_incidence",
    "complication_sensitivity",
    "complications",
    "complications_over_time",
    "count_agreement",
    "data_summary",
    "donor_use",
    "duration_laws",
    "durations",
    "figure_meta",
    "further_sessions",
    "graft_survival",
    "graft_survival_model",
    "graft_survival_selection",
    "group_fields",
    "growth",
    "intake_summary",
    "next_session_causes",
    "time_to_next_session",
]
