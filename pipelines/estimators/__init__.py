"""Estimators on small tables of counts: no registry, no database, no figure; counts in, numbers out."""

from pipelines.estimators.aalen_johansen import (
    IncidenceCurves,
    IncidenceEstimate,
    cumulative_incidence,
    incidence_at,
)
from pipelines.estimators.agreement import Agreement, intraclass_correlation, limits_of_agreement
from pipelines.estimators.bands import Band, hall_wellner_band, simulated_incidence_band, simulated_survival_band
from pipelines.estimators.beta_binomial import BetaBinomialFit, beta_binomial
from pipelines.estimators.censoring_weights import censoring_weighted
from pipelines.estimators.clustered_ratio import RatioEstimate, RatioSums, clustered_ratio
from pipelines.estimators.clustered_share import ClusteredShare, clustered_share
from pipelines.estimators.clustered_survival import clustered_survival
from pipelines.estimators.counts import risk_table
from pipelines.estimators.errors import CountsError
from pipelines.estimators.follow_up import Completeness, follow_up_completeness, median_follow_up
from pipelines.estimators.gray_test import gray_test, stratified_gray_test
from pipelines.estimators.group_comparison import GroupComparison
from pipelines.estimators.interval_bootstrap import ClusteredPresence, PresenceLimits, presence_with_limits
from pipelines.estimators.interval_censored import (
    PresenceEstimate,
    TurnbullCurve,
    never_ended_bound,
    presence_at,
    turnbull,
)
from pipelines.estimators.interval_log_rank import clustered_interval_log_rank, interval_log_rank
from pipelines.estimators.interval_parametric import ParametricFit, parametric_fits, parametric_presence
from pipelines.estimators.kaplan_meier import SurvivalCurve, SurvivalEstimate, product_limit, survival_at
from pipelines.estimators.log_rank import log_rank, stratified_log_rank
from pipelines.estimators.mean_cumulative import MeanCurve, MeanEstimate, mean_at, mean_cumulative
from pipelines.estimators.proportion import Interval, clopper_pearson, wilson, zero_event_upper
from pipelines.estimators.smoothed_hazard import HazardEstimate, smoothed_hazard
from pipelines.estimators.survival_summaries import (
    QuantileEstimate,
    RestrictedMean,
    quantile_with_limits,
    restricted_mean,
)
from pipelines.estimators.weighted_survival import WeightedSurvival, weighted_survival

__all__ = [
    "Agreement",
    "Band",
    "BetaBinomialFit",
    "ClusteredPresence",
    "ClusteredShare",
    "Completeness",
    "CountsError",
    "GroupComparison",
    "HazardEstimate",
    "IncidenceCurves",
    "IncidenceEstimate",
    "Interval",
    "MeanCurve",
    "MeanEstimate",
    "ParametricFit",
    "PresenceEstimate",
    "PresenceLimits",
    "QuantileEstimate",
    "RatioEstimate",
    "RatioSums",
    "RestrictedMean",
    "SurvivalCurve",
    "SurvivalEstimate",
    "TurnbullCurve",
    "WeightedSurvival",
    "beta_binomial",
    "censoring_weighted",
    "clopper_pearson",
    "clustered_interval_log_rank",
    "clustered_ratio",
    "clustered_share",
    "clustered_survival",
    "cumulative_incidence",
    "follow_up_completeness",
    "gray_test",
    "hall_wellner_band",
    "incidence_at",
    "interval_log_rank",
    "intraclass_correlation",
    "limits_of_agreement",
    "log_rank",
    "mean_at",
    "mean_cumulative",
    "median_follow_up",
    "never_ended_bound",
    "parametric_fits",
    "parametric_presence",
    "presence_at",
    "presence_with_limits",
    "product_limit",
    "quantile_with_limits",
    "restricted_mean",
    "risk_table",
    "simulated_incidence_band",
    "simulated_survival_band",
    "smoothed_hazard",
    "stratified_gray_test",
    "stratified_log_rank",
    "survival_at",
    "turnbull",
    "weighted_survival",
    "wilson",
    "zero_event_upper",
]
