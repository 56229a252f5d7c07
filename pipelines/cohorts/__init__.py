"""Cohorts for research: named definitions that the registry keeps, and who is in them."""

from .definition import CohortDefinition, define
from .members import FlowStep, cohort_flow, kept_members, rounded_flow
from .storing import StoredCohort, list_cohorts, load_cohort, store_cohort

__all__ = [
    "CohortDefinition",
    "FlowStep",
    "StoredCohort",
    "cohort_flow",
    "define",
    "kept_members",
    "list_cohorts",
    "load_cohort",
    "rounded_flow",
    "store_cohort",
]
