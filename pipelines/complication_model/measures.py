"""What the models of what follows a session give, by name."""

from __future__ import annotations

ODDS_RATIO = "complication_odds_ratio"
RISK_DIFFERENCE = "complication_risk_difference"
SHARE = "complication_share_modelled"
MISSING = "session_covariate_missing"
ERROR_RATIO = "session_model_error_ratio"
SCAR_DIFFERENCE = "scar_width_difference_mm"
SCAR_MEAN = "scar_width_mean_mm"
SATISFACTION_ODDS_RATIO = "satisfaction_odds_ratio"
SATISFACTION_DIFFERENCE = "satisfaction_difference_points"
SATISFACTION_MEAN = "satisfaction_mean_points"
PROPORTIONAL_ODDS_P = "satisfaction_proportional_odds_p"

SESSION_MODEL_LABELS: dict[str, str] = {
    ODDS_RATIO: "Odds ratio of a complication",
    RISK_DIFFERENCE: "Difference of the risk of a complication",
    SHARE: "Sessions with the complication, of those in the model",
    MISSING: "Value missing",
    ERROR_RATIO: "Errors by patient, against errors by session",
    SCAR_DIFFERENCE: "Difference of the width of the scar, millimetres",
    SCAR_MEAN: "Mean width of the scar, millimetres",
    SATISFACTION_ODDS_RATIO: "Odds ratio of a higher satisfaction",
    SATISFACTION_DIFFERENCE: "Difference of mean satisfaction, points of 0 to 10",
    SATISFACTION_MEAN: "Mean satisfaction, points of 0 to 10",
    PROPORTIONAL_ODDS_P: "Is the odds ratio the same at every cut? p",
}
"""How to say them. None of them is a benchmark's measure."""
