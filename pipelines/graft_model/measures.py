"""What the model of graft survival gives, by name."""

from __future__ import annotations

ODDS_RATIO = "graft_growing_odds_ratio"
YIELD_AT = "graft_survival_adjusted"
AREAS_AT = "graft_areas_by_value"
MISSING = "graft_covariate_missing"
DISPERSION = "graft_survival_dispersion"
BEND_AT = "density_above_which_yield_falls"
BEND_P = "no_bend_in_density_p_value"
SLOPE_BELOW, SLOPE_ABOVE = "graft_odds_ratio_below_bend", "graft_odds_ratio_above_bend"

IMPUTED, COMPLETE = "imputed", "complete_cases"
"""The analyses that an odds ratio may come from."""

GRAFT_MODEL_LABELS: dict[str, str] = {
    ODDS_RATIO: "Odds ratio of a placed graft growing",
    YIELD_AT: "Graft survival, all else as it is",
    AREAS_AT: "Counted areas by value",
    MISSING: "Value missing",
    DISPERSION: "Spread of counts, 1 for chance alone",
    BEND_AT: "Density above which yield falls, grafts per cm2",
    BEND_P: "Is there no bend? p",
    SLOPE_BELOW: "Odds ratio for 5 grafts per cm2 more, below the bend",
    SLOPE_ABOVE: "Odds ratio for 5 grafts per cm2 more, above the bend",
}
"""How to say them. None of them is a benchmark's measure."""
