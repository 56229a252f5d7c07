"""What graft counts and donor records tell beside graft survival: names and how to say them."""

from __future__ import annotations

HAIR_SURVIVAL = "hair_survival"
HAIR_SURVIVAL_CAPPED = "hair_survival_capped"

MEAN_YIELD = "graft_survival_beta_binomial"
WITHIN_PATIENT = "graft_survival_within_patient_correlation"
BELOW_80 = "patients_below_80_percent_yield"
BELOW_90 = "patients_below_90_percent_yield"
ABOVE_PLACED = "areas_above_placed"
ABOVE_PLACED_UNKNOWN = "areas_above_placed_existing_hairs_not_recorded"
BY_METHOD = "graft_survival_by_method"

SESSIONS_COUNTED = "sessions_with_a_mature_count"
YIELD_CRUDE = "graft_survival_of_counted_sessions"
YIELD_WEIGHTED = "graft_survival_weighted_by_return"
YIELD_NONE_GREW = "graft_survival_if_none_of_the_uncounted_grew"
YIELD_ALL_GREW = "graft_survival_if_all_of_the_uncounted_grew"
YIELD_BY_CHOICE = "graft_survival_by_choice_of_area"
HEAVIEST_RETURN_WEIGHT = "heaviest_return_weight"
LIGHTEST_RETURN_WEIGHT = "lightest_return_weight"
EFFECTIVE_RETURNED = "effective_share_of_counted_sessions"

GROWTH = "grafts_growing_by_month"
GROWTH_CRUDE = "grafts_growing_in_month_crude"

READING_BIAS = "reading_difference_mean"
READING_LOW = "reading_difference_low"
READING_HIGH = "reading_difference_high"
ICC_ONE_WAY = "reading_icc_1_1"
ICC_ABSOLUTE = "reading_icc_2_1"
ICC_CONSISTENT = "reading_icc_3_1"

GRAFTS_PLACED_SO_FAR = "grafts_placed_so_far"
GRAFTS_TAKEN_SO_FAR = "grafts_taken_so_far"
TRANSECTED = "grafts_transected_of_taken"
DISCARDED = "grafts_discarded_of_taken"
HAIRS_PER_GRAFT = "hairs_per_graft"
DONOR_DENSITY = "donor_density_before_first_surgery"
TAKEN_PER_DENSITY = "donor_area_equivalent_so_far"

GRAFT_SHARE_LABELS: dict[str, str] = {
    HAIR_SURVIVAL: "Survival by hairs, existing hairs subtracted",
    HAIR_SURVIVAL_CAPPED: "Survival by hairs, each area at most what was placed",
    MEAN_YIELD: "Mean yield of a patient's counted areas (beta-binomial)",
    WITHIN_PATIENT: "Correlation between two grafts of one patient",
    BELOW_80: "Patients whose counted areas yield below 80%",
    BELOW_90: "Patients whose counted areas yield below 90%",
    ABOVE_PLACED: "Areas with more growing than was placed",
    ABOVE_PLACED_UNKNOWN: "Of these, existing hairs not recorded",
    BY_METHOD: "Survival by method of counting",
    SESSIONS_COUNTED: "Sessions that were counted, of those due",
    YIELD_CRUDE: "Survival, as counted",
    YIELD_WEIGHTED: "Survival, weighted by the chance of being counted",
    YIELD_NONE_GREW: "Survival, if nothing grew where nobody counted",
    YIELD_ALL_GREW: "Survival, if all grew where nobody counted",
    YIELD_BY_CHOICE: "Survival by how the area was chosen",
    EFFECTIVE_RETURNED: "Effective share of counted sessions, after weights",
    GROWTH: "Grafts growing by month",
    GROWTH_CRUDE: "Grafts growing in the month, as counted",
    TRANSECTED: "Transected, of grafts taken",
    DISCARDED: "Discarded, of grafts taken",
}
"""Measures that are shares."""

GRAFT_QUANTITIES: dict[str, tuple[str, str]] = {
    HEAVIEST_RETURN_WEIGHT: ("Heaviest weight of a session", "number"),
    LIGHTEST_RETURN_WEIGHT: ("Lightest weight of a session", "number"),
    READING_BIAS: ("Difference of two readings (first less second), in 100 placed: mean", "number"),
    READING_LOW: ("Difference of two readings, in 100 placed: lower limit of agreement", "number"),
    READING_HIGH: ("Difference of two readings, in 100 placed: upper limit of agreement", "number"),
    ICC_ONE_WAY: ("Intraclass correlation (1,1), any readers", "number"),
    ICC_ABSOLUTE: ("Intraclass correlation (2,1), absolute agreement", "number"),
    ICC_CONSISTENT: ("Intraclass correlation (3,1), consistency", "number"),
    GRAFTS_PLACED_SO_FAR: ("Grafts placed up to this session, mean", "grafts"),
    GRAFTS_TAKEN_SO_FAR: ("Grafts taken up to this session, mean", "grafts"),
    HAIRS_PER_GRAFT: ("Hairs per graft", "number"),
    DONOR_DENSITY: ("Donor density before first surgery, follicular units per cm2", "number"),
    TAKEN_PER_DENSITY: ("Donor area with as many follicular units as were taken, cm2", "number"),
}
"""Measures that are no shares: how to say them, and their unit."""

GRAFT_CAUTION = (
    "A marked area's yield is not a whole head's: areas are few, small, and somebody chose them. Small numbers swing "
    "widely, and whoever takes the harder cases (case-mix) will look worse."
)
"""Stands beside every table and page on graft counts."""
