"""The generating model: every number that shapes the fictional clinics, in one place.

All values are invented so that the records look plausible. None is an estimate of anything real, and none may be
quoted as a finding. Log odds and log hazard ratios are natural logarithms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Binary:
    """How often one complication follows a session.

    log_odds: for a male patient of average susceptibility, operated by excision, 36 grafts per cm2, two hours
        out of the body, by a surgeon whose effect is zero.
    strip_log_odds: added where a strip was taken.
    recorded_share: share of events that also get a complication record, once a contact follows the onset.
    symptom_visit_share: share of events that bring the patient in between scheduled contacts.
    """

    log_odds: float
    strip_log_odds: float
    recorded_share: float
    symptom_visit_share: float


@dataclass(frozen=True)
class Numbness:
    """How long an area stays numb: log-normal, with some never numb and a few numb for good.

    never_numb_share: share in whom sensation is normal from the first day.
    lasting_share: share in whom it never comes back.
    median_days, log_sd: of all others, at 2,000 grafts.
    graft_exponent: the median grows with (grafts / 2,000) to this power.
    """

    never_numb_share: float
    lasting_share: float
    median_days: float
    log_sd: float
    graft_exponent: float


@dataclass(frozen=True)
class Model:
    """The parameters of the generating model. Change one with `dataclasses.replace(MODEL, ...)`."""

    # Who comes
    growth: float = 1.5
    """First sessions a day rise linearly over a site's life, ending 1 + growth times as high as they began."""
    age_low: float = 18.0
    """Youngest age at first surgery, in years."""
    age_span: float = 60.0
    """Years between the youngest and the oldest age at first surgery."""
    age_beta: tuple[float, float] = (1.7, 3.9)
    """Beta distribution of age at first surgery over that span."""
    female_share: float = 0.09
    """Share of women."""
    intersex_share: float = 0.004
    """Share of intersex patients."""
    severity_at_35: float = 3.6
    """Mean severity of hair loss at age 35 on a scale from 1 to 7, which follows the Norwood-Hamilton stages."""
    severity_per_year: float = 0.03
    """Rise of that mean per year of age."""
    severity_sd: float = 1.15
    """Standard deviation of severity between patients of one age."""
    elsewhere_before_share: float = 0.10
    """Share of patients who had their first surgery elsewhere before they came."""
    elsewhere_before_counts: tuple[float, ...] = (0.75, 0.18, 0.07)
    """Shares with one, two or three surgeries elsewhere before, among them."""
    patient_effect_sd: float = 0.40
    """Standard deviation of a patient's susceptibility, in log odds of every complication (overdispersion)."""
    dates_shifted_share: float = 0.005
    """Share of patients all of whose dates, and whose end of records, the site moved 1 to 28 days back."""

    # Death
    death_per_year_at_35: float = 0.0005
    """Deaths per person-year at age 35."""
    death_log_rate_per_year_of_age: float = 0.085
    """Rise of the log death rate per year of attained age (Gompertz)."""

    # The next session
    gap_edges_years: tuple[float, ...] = (0.0, 0.4, 1.0, 2.0, 4.0, 8.0, 15.0)
    """Starts of the intervals of time since the last session within which the hazards are constant, in years."""
    gap_hazard_here: tuple[float, ...] = (0.0, 0.035, 0.065, 0.060, 0.048, 0.036, 0.015)
    """Unplanned next sessions here per person-year after a first session: age 35, severity 4, no therapy."""
    gap_hazard_elsewhere: tuple[float, ...] = (0.0, 0.005, 0.012, 0.016, 0.015, 0.011, 0.005)
    """Next sessions elsewhere per person-year, of the same patient."""
    gap_log_hazard_per_year_of_age: float = -0.035
    """Change of both log hazards per year of age at first surgery."""
    gap_log_hazard_per_severity: float = 0.10
    """Change of both log hazards per step of severity."""
    gap_log_hazard_prevented: float = -0.25
    """Change of both log hazards under finasteride or dutasteride. A marker of the fictional patient, no effect
    of a drug."""
    gap_log_hazard_female: float = -0.30
    """Change of both log hazards for women."""
    gap_factor_by_number: tuple[float, ...] = (1.0, 0.85, 0.65, 0.50, 0.40, 0.30)
    """Factor on both hazards after session 1, 2, 3 and so on; the last holds for all later ones."""
    after_elsewhere_factor_here: float = 0.40
    """Factor on the hazard here after a session elsewhere."""
    after_elsewhere_factor_elsewhere: float = 1.50
    """Factor on the hazard elsewhere after a session elsewhere."""
    planned_share_mild: float = 0.05
    """Share of first sessions with a further stage planned, up to severity 4."""
    planned_share_severe: float = 0.22
    """The same above severity 4."""
    planned_goes_ahead_share: float = 0.75
    """Share of planned stages that take place."""
    planned_median_years: float = 0.95
    """Median gap to a planned stage, in years."""
    planned_log_sd: float = 0.30
    """Standard deviation of the logarithm of that gap."""
    planned_least_years: float = 0.45
    """Shortest gap to a planned stage, in years."""
    sessions_ahead: int = 8
    """Next sessions simulated for each patient, however long they take."""
    other_site_share: float = 0.02
    """Share of next sessions here that take place at another site of the practice."""
    own_surgeon_share: float = 0.85
    """Share of sessions done by the patient's own surgeon while active at the site."""

    # The surgery
    strip_log_odds_first_day: float = 0.9
    """Log odds of a strip harvest on the first day of the practice, for a surgeon whose effect is zero."""
    strip_log_odds_per_year: float = -0.17
    """Change of these log odds a year."""
    combined_share: float = 0.02
    """Share of strip sessions that were combined with excision."""
    grafts_median: float = 1900.0
    """Median grafts of a first session at severity 4."""
    grafts_log_per_severity: float = 0.13
    """Rise of the log median per step of severity."""
    grafts_log_next_session: float = -0.25
    """Change of the log median from the second session on."""
    grafts_log_sd: float = 0.28
    """Standard deviation of log grafts."""
    density_mean: float = 36.0
    """Mean placed density, in grafts per cm2."""
    density_sd: float = 7.0
    """Its standard deviation; densities are kept between 12 and 53."""
    out_of_body_base_minutes: float = 40.0
    """Longest time out of the body of a very small session, in minutes."""
    out_of_body_minutes_per_1000: float = 48.0
    """Minutes added per 1,000 grafts."""
    out_of_body_sd_minutes: float = 28.0
    """Standard deviation between sessions, in minutes."""

    # Complications
    log_odds_per_density_10: float = 0.15
    """Change of the log odds of every complication per 10 grafts per cm2 above 36."""
    log_odds_per_out_of_body_hour: float = 0.12
    """Change of the log odds of every complication per hour out of the body above two."""
    swelling_cuts: tuple[float, float, float] = (0.2, 2.0, 3.9)
    """Ordered logistic cuts: swelling is mild, moderate or severe above them."""
    swelling_onset_shares: tuple[float, ...] = (0.25, 0.35, 0.25, 0.10, 0.05)
    """Shares with onset on day 1, 2, 3, 4, 5. It peaks a day later."""
    severe_swelling_recorded_share: float = 0.50
    """Share of severe swellings with a complication record."""
    severe_swelling_symptom_visit_share: float = 0.45
    """Share of severe swellings that bring the patient in."""
    bruised_eyes: Binary = Binary(-5.55, 0.0, 0.35, 0.20)
    """Bruised eyes: about 1 patient in 200 (common practice, no source). Moderate or severe swelling adds
    `bruised_eyes_log_odds_swelling`."""
    bruised_eyes_log_odds_swelling: float = 0.9
    """Change of the log odds of bruised eyes with moderate or severe swelling."""
    folliculitis: Binary = Binary(-2.75, -0.25, 0.40, 0.50)
    """Folliculitis: about 7 in 100."""
    folliculitis_onset_median_days: float = 24.0
    """Median day of onset, log-normal: mostly from day 10 to day 50."""
    folliculitis_onset_log_sd: float = 0.55
    """Standard deviation of the logarithm of that day. An onset after day 60 is always recorded with its day."""
    infection: Binary = Binary(-5.35, 0.30, 0.85, 0.85)
    """Infection: about 6 in 1,000, onset from day 3 to day 25."""
    infection_deep_share: float = 0.10
    """Share of infections that go deep."""

    # Numbness, healing, growth
    numbness_donor_strip: Numbness = Numbness(0.04, 0.020, 105.0, 0.95, 0.30)
    """Donor area after a strip, with or without excision."""
    numbness_donor_excision: Numbness = Numbness(0.20, 0.004, 34.0, 0.90, 0.30)
    """Donor area after excision alone."""
    numbness_recipient: Numbness = Numbness(0.10, 0.006, 70.0, 0.80, 0.40)
    """Recipient area."""
    scar_median_mm: Mapping[str, float] = field(
        default_factory=lambda: {"trichophytic_lower_edge": 1.1, "trichophytic_upper_edge": 1.3, "plain": 2.0}
    )
    """Median width of the scar of a strip by closure, in millimetres."""
    scar_log_sd: float = 0.45
    """Standard deviation of the log width."""

    # Graft counts
    marked_share: float = 0.30
    """Share of sessions with marked areas."""
    second_area_share: float = 0.40
    """Share of those with a second marked area."""
    graft_log_odds: float = 2.55
    """Log odds that a placed graft grows, at two hours out of the body, at most 45 grafts per cm2."""
    graft_log_odds_per_density_above_45: float = -0.05
    """Change per graft per cm2 above 45 in the marked area."""
    graft_log_odds_per_out_of_body_hour: float = -0.15
    """Change per hour out of the body above two."""
    graft_patient_sd: float = 0.25
    """Standard deviation of a patient's own log odds."""
    graft_rho: float = 0.015
    """Correlation between grafts of one area (beta-binomial)."""
    growth_share_at_day_0: float = 0.30
    """Share of the final count that a line to day 300 starts from; the count is mature from day 300 on."""
    count_error_sd: float = 0.015
    """Standard deviation of a reading's error as a share of the grafts placed; its mean is zero."""
    count_shares: tuple[float, float, float] = (0.55, 0.75, 0.25)
    """Shares counted at the visits of month 6 and month 12, and about month 15."""

    # Contact
    loss_shape: float = 0.60
    """Weibull shape of the time from the first session here to loss of contact."""
    loss_scale_years: float = 8.0
    """Weibull scale of patients from 25 to 34 years of age, in years."""
    loss_log_scale_per_age_band: float = 0.30
    """Change of the log scale per age band: younger patients are lost earlier. Bands, not years, so that within a
    band loss tells nothing of the outcome."""
    round_days: int = 60
    """Before the data were sent, each site called every patient still in contact, within this many days."""
    attendance: Mapping[str, float] = field(
        default_factory=lambda: {
            "day_1": 0.85,
            "day_7": 0.93,
            "month_3": 0.75,
            "month_6": 0.75,
            "month_12": 0.80,
            "yearly": 0.55,
        }
    )
    """Share of due contacts that take place, by milestone, of patients from 25 to 34 years of age."""
    attendance_log_odds_per_age_band: float = 0.12
    """Change of the log odds of attending per age band."""
    early_days: float = 1.5
    """A contact from month 3 on is arranged this many days before it is due, so that with the late tail it takes
    place on the due day on average."""
    timing_sd_days: float = 7.0
    """Standard deviation of its day."""
    late_share: float = 0.15
    """Share of contacts that come late."""
    late_mean_days: float = 10.0
    """Mean delay of those, in days (exponential)."""
    consultation_share: float = 0.30
    """Share of next sessions here that a consultation about the earlier session preceded."""
    elsewhere_row_share: float = 0.60
    """Share of sessions elsewhere, learned of at a contact, that get a session record."""
    deaths_learned_share: float = 1.0
    """Share of deaths after loss of contact that the practice learns of."""
    item_empty_share: float = 0.03
    """Share of items left empty at a contact that should have answered them."""

    # What makes observation tell of the outcome: off unless asked for
    attendance_log_odds_with_symptom: float = 0.0
    """Change of the log odds of attending while numb or after a complication. Above zero the well
    stay away, below zero the unwell."""
    leave_after_elsewhere_share: float = 0.0
    """Share of patients who break off contact at a session elsewhere, so that it stays unknown."""


MODEL = Model()
"""The model of the fictional clinics, as it stands unless a caller changes it."""
