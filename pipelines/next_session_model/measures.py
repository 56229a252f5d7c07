"""What the model of time to the next session gives, by name."""

from __future__ import annotations

HAZARD_RATIO = "next_session_hazard_ratio"
PROPORTIONAL_HAZARDS_P = "next_session_proportional_hazards_p"
CONCORDANCE = "next_session_concordance"
PREDICTED = "next_session_predicted"
OBSERVED = "next_session_observed_by_prediction"
INFLUENCE = "next_session_largest_influence"
MISSING = "next_session_covariate_missing"
AGES = "next_session_patients_by_age"
PLAN_AS_STRATUM = "next_session_ratio_with_plan_as_stratum"

IMPUTED, COMPLETE = "imputed", "complete_cases"
GAP_TIME, TOTAL_TIME, DEATH_COMPETING = "recurrent_gap_time", "recurrent_total_time", "death_competing"
"""The analyses that a hazard ratio may come from."""

MODEL_MEASURE_LABELS: dict[str, str] = {
    HAZARD_RATIO: "Hazard ratio of a next session",
    PROPORTIONAL_HAZARDS_P: "Does the ratio stay the same over time? p",
    CONCORDANCE: "Concordance of the model",
    PREDICTED: "Next session, as predicted",
    OBSERVED: "Next session, as seen among those so predicted",
    INFLUENCE: "Largest pull of one patient, in standard errors",
    MISSING: "Value missing",
    AGES: "Patients by age",
    PLAN_AS_STRATUM: "Largest change of another ratio with plan as a stratum",
}
"""How to say them. None of them is a benchmark's measure."""
