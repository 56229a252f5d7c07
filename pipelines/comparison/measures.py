"""Which outcomes surgeons are compared by: each measure's direction, model and factors, declared once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from registry.definition import codes
from registry.milestones import MONTH_12

from ..complication_model.outcomes import Outcome, outcome
from ..next_session_model.covariates import COVARIATES, NO_PATTERN, UNKNOWN, Covariate

Side = Literal["high", "low"]
Model = Literal["share", "grafts"]

_AGE = Covariate("age_at_first_surgery_years", "number", unit=10.0)
_SEX = Covariate("sex", "levels", levels=tuple(code for code in codes.SEX.names if code != UNKNOWN))
_SMOKING = Covariate(
    "smoking", "levels", levels=tuple(code for code in codes.SMOKING.names if code != UNKNOWN), reference="never"
)
_DIABETES = Covariate("diabetes", "levels", levels=("no", "yes"), reference="no")
_EXTENT = Covariate("extent_of_loss", "levels", levels=("early", "middle", "advanced", "ludwig", NO_PATTERN))
_BEFORE = Covariate("operated_before", "levels", levels=("no", "yes"), reference="no")
_CALIBRE = Covariate("hair_calibre_um", "number", unit=10.0)
_CURL = Covariate("hair_curl", "levels", levels=codes.HAIR_CURL.names)

_PATIENT = (_AGE, _EXTENT, _SMOKING, _BEFORE, _DIABETES, _SEX)
_HAIR = (_AGE, _CALIBRE, _SMOKING, _CURL, _BEFORE, _DIABETES, _SEX)
"""In order of what is thought to matter most (common practice, no source): where events are few, the first stand."""

NEXT_SESSION = "next_session"
NEXT_SESSION_LABEL = "Next session here"
NEXT_SESSION_FACTORS = (
    _AGE,
    next(one for one in COVARIATES if one.name == "pattern_stage"),
    _SEX,
    next(one for one in COVARIATES if one.name == "family_history"),
)
"""What a next session is described by. Whether one was planned is a choice, and so left out."""

CHOSEN_BY_SURGEON = (
    "technique",
    "donor_closure",
    "placed_density",
    "grafts_total",
    "zones",
    "duration_hours",
    "out_of_body_minutes",
    "holding_solution",
    "site_code",
)
"""Kept out of case-mix: each is, or follows from, a choice of the surgeon or the site. To adjust for a choice would
take away the very difference that the choice makes."""


@dataclass(frozen=True)
class ComparedMeasure:
    """An outcome by which surgeons are compared.

    name: as in figures of comparison. unfavourable: which side is worse; the other is never flagged. model: `share`
    (a yes or no a session, logistic) or `grafts` (of those placed, how many did not grow, quasi-binomial). judged: the
    days, in words. factors: what the patient brings along, adjusted for. outcome: who counts, and when, for a share.
    """

    name: str
    label: str
    unfavourable: Side
    model: Model
    judged: str
    factors: tuple[Covariate, ...]
    outcome: Outcome | None = None


def _share(name: str) -> ComparedMeasure:
    told = outcome(name)
    return ComparedMeasure(name.replace("-", "_"), told.label, "high", "share", told.when, _PATIENT, told)


GRAFTS_NOT_GROWN = "grafts_not_grown"
"""What is left of graft survival: counted so that, as everywhere here, more is the unfavourable side."""

COMPARED: Mapping[str, ComparedMeasure] = {
    measure.name: measure
    for measure in (
        _share("severe-swelling"),
        _share("bruised-eyes"),
        _share("folliculitis"),
        _share("infection"),
        _share(f"numbness-{MONTH_12.name}".replace("_", "-")),
        ComparedMeasure(
            GRAFTS_NOT_GROWN,
            "Grafts that did not grow",
            "high",
            "grafts",
            "counted when mature",
            _HAIR,
        ),
    )
}
"""A next session is not among them: it is no measure of quality. Who has one depends on age, hair loss and wishes, so
it is described and never flagged. Scar width and satisfaction are not compared either: few are measured, and whose
they are depends on who comes back."""


def model_label(name: str) -> str:
    """What a case-mix model foretells: a compared measure, or the next session, which is described alone."""
    return NEXT_SESSION_LABEL if name == NEXT_SESSION else COMPARED[name].label


OBSERVED_TO_EXPECTED = "observed_to_expected"
"""Observed over expected; 1 means: as the other surgeons' patients of the same case-mix fared."""
INDIRECT_RATE, DIRECT_RATE = "indirectly_standardised_share", "directly_standardised_share"
SHRUNKEN = "shrunken_observed_to_expected"
RELIABILITY, CASES_NEEDED = "reliability", "cases_needed"
RAW_SHARE = "share_seen"
PEER = "peer_observed_to_expected"
EXPECTED = "expected_count"
OVERDISPERSION = "overdispersion_factor"
ADJUSTED_P = "false_discovery_adjusted_p"
FACTOR_SHARE, FACTOR_MEAN, FACTOR_DIFFERENCE = "case_mix_share", "case_mix_mean", "case_mix_standardised_difference"
C_STATISTIC, CALIBRATION_SLOPE, CALIBRATION_INTERCEPT = (
    "case_mix_c_statistic",
    "case_mix_calibration_slope",
    "case_mix_calibration_intercept",
)
CALIBRATION_SEEN, CALIBRATION_PREDICTED = "case_mix_share_seen", "case_mix_share_predicted"
SESSIONS_HELD, HELPED = "sessions_in_period", "sessions_with_another_operator"
NEXT_SESSIONS_SEEN_TO_EXPECTED = "next_sessions_seen_to_expected"
RUN_SUM, RUN_DIFFERENCE, RUN_AVERAGE = "cusum", "observed_minus_expected", "weighted_average_share"
CHANCE_DIFFERENCE, CHANCE_AVERAGE = "observed_minus_expected_by_chance", "weighted_average_share_expected"

COMPARISON_LABELS: Mapping[str, str] = {
    OBSERVED_TO_EXPECTED: "Observed over expected",
    INDIRECT_RATE: "Share, indirectly standardised",
    DIRECT_RATE: "Share, directly standardised",
    SHRUNKEN: "Observed over expected, drawn towards the average by how little is known",
    RELIABILITY: "Reliability",
    CASES_NEEDED: "Cases needed before this measure can tell surgeons apart",
    RAW_SHARE: "Share seen",
    PEER: "Observed over expected of a peer",
    EXPECTED: "Expected",
    OVERDISPERSION: "Spread between surgeons beyond chance, as a factor",
    ADJUSTED_P: "p after control of false discoveries across measures",
    FACTOR_SHARE: "Share of patients' sessions with a factor",
    FACTOR_MEAN: "Mean of a factor",
    FACTOR_DIFFERENCE: "Standardised difference of a factor",
    C_STATISTIC: "c-statistic of a case-mix model",
    CALIBRATION_SLOPE: "Calibration slope of a case-mix model",
    CALIBRATION_INTERCEPT: "Calibration intercept of a case-mix model",
    CALIBRATION_SEEN: "Share seen in a group of like expected share",
    CALIBRATION_PREDICTED: "Share expected in a group of like expected share",
    SESSIONS_HELD: "Sessions",
    HELPED: "Sessions in which somebody else than the responsible surgeon harvested or placed",
    NEXT_SESSIONS_SEEN_TO_EXPECTED: "Next sessions seen over those expected; no measure of quality",
    RUN_SUM: "Cumulative sum of log likelihood ratios",
    RUN_DIFFERENCE: "Observed minus expected",
    RUN_AVERAGE: "Exponentially weighted average",
    CHANCE_DIFFERENCE: "How far chance alone takes observed minus expected, either way",
    CHANCE_AVERAGE: "Exponentially weighted average of what is expected, with the limits of chance",
}
"""How to say what a comparison gives. None of them is a benchmark's measure."""
