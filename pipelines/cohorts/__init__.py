"""Cohorts for research: named definitions that the registry keeps, and who is in them."""

from .definition import CohortDefinition, define
from .masking import FLOOR, STEP, MaskedStep, masked_flow
from .members import FlowStep, cohort_flow, kept_members, rounded_flow
from .storing import StoredCohort, list_cohorts, load_cohort, store_cohort

__all__ = [
    "FLOOR",
    "STEP",
    "CohortDefinition",
    "FlowStep",
    "MaskedStep",
    "StoredCohort",
    "cohort_flow",
    "define",
    "kept_members",
    "list_cohorts",
    "load_cohort",
    "masked_flow",
    "rounded_flow",
    "store_cohort",
]
