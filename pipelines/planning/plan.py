"""What a question asks of this registry: cases by formula, allowing for clusters and losses, checked by simulation."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from ..estimators.limits import normal_quantile
from ..figure import Figure
from ..groups import EVERYBODY, Chosen
from ..measures import GRAFT_SURVIVAL
from .sample_size import cases_two_means, cases_two_shares, cases_without_event, events_for_hazard_ratio
from .seen import NEXT_SESSION, SHARES, Seen, seen_now
from .simulation import (
    simulated_power_hazard_ratio,
    simulated_power_two_means,
    simulated_power_two_shares,
)


@dataclass(frozen=True)
class Planning:
    """What is asked. split: part of the cases in the first group."""

    power: float = 0.8
    level: float = 0.95
    split: float = 0.5


@dataclass(frozen=True)
class Plan:
    """What it takes.

    base: what the registry says now. first, second: the true values planned with, shares of 0 to 1 (next session: had
    one by the end of follow-up). counted: cases with an answer in each group; entered: cases to begin with, allowing
    for those who will have none. events: of both groups, where events decide. design_effect: variance over that of
    independent cases. share_counted: of eligible cases, now. counted_a_year: at the pace of the last years, None where
    it cannot be read; years: at that pace, follow-up included. simulated_power: of the test at that number of cases.
    """

    base: Figure
    first: float
    second: float
    counted: tuple[int, int]
    entered: tuple[int, int]
    design_effect: float
    share_counted: float
    counted_a_year: float | None
    years: float | None
    simulated_power: float
    events: int | None = None


@dataclass(frozen=True)
class RuleOut:
    """What it takes to say that something is rarer than a limit, if no case has it.

    counted: cases without an event. chance: that none of them has it, if the share is what the registry says now.
    """

    base: Figure
    limit: float
    counted: int
    chance: float | None
    counted_a_year: float | None
    years: float | None


def plan_difference(
    registry: Registry,
    measure: str,
    difference: float,
    planning: Planning,
    *,
    at_days: int | None = None,
    chosen: Chosen = EVERYBODY,
) -> Plan:
    """Cases so that two groups are found to differ by so much in a share, or in the yield of counted areas.

    Shares: `cases_two_shares`, times the design effect of the registry's own sessions within patients (as if all of a
    patient's sessions were in one group, which is the worst case). Yield: `cases_two_means` with the standard deviation
    between patients that the registry's own interval shows; cases are then patients. Loss: as many of the eligible as
    are counted now. Assumes that rates, clusters, loss and pace stay as they are, and that those not counted are like
    the others. The simulation says what power the test has at that number; trust it where it differs from what was
    asked.
    measure: of PLANNED, but the next session. difference: -1 to 1, added to what the registry says now; the first
    group keeps that. at_days: which of a measure's milestones.
    Raises: GraftledgerError for an unknown measure, a difference that leads out of 0 to 1, or too few cases to plan
    with.
    """
    if measure == NEXT_SESSION:
        raise GraftledgerError("A difference in time to the next session is planned as a hazard ratio.")
    seen = seen_now(registry, measure, chosen, at_days)
    first = seen.estimate
    second = first + difference
    if difference == 0.0 or not 0.0 <= second <= 1.0:
        raise GraftledgerError(
            f"From {first:.1%}, a difference must lead to a share from 0 to 1 and not be 0. Give a smaller one."
        )
    if measure == GRAFT_SURVIVAL:
        sd = _sd_between_patients(seen.base)
        counted = cases_two_means(difference, sd, power=planning.power, level=planning.level, split=planning.split)
        power = simulated_power_two_means(counted, (first, second), sd, level=planning.level)
    else:
        plain = cases_two_shares(first, second, power=planning.power, level=planning.level, split=planning.split)
        counted = (_times(plain[0], seen.design_effect), _times(plain[1], seen.design_effect))
        power = simulated_power_two_shares(
            counted,
            (first, second),
            sessions_a_patient=max(seen.base.n / max(seen.base.n_clusters or 1, 1), 1.0),
            design_effect=seen.design_effect,
            level=planning.level,
        )
    return _plan(seen, (first, second), counted, power)


def plan_hazard_ratio(
    registry: Registry,
    ratio: float,
    planning: Planning,
    *,
    at_days: int | None = None,
    chosen: Chosen = EVERYBODY,
) -> Plan:
    """Patients so that two groups are found to differ by a hazard ratio in the time to a next session.

    Events by `events_for_hazard_ratio`; patients by the share that has a next session by the planned end of follow-up
    (death competing). The first group keeps today's share. Of sessions here nobody is lost before the records end.
    Assumes constant hazards, and that all are followed to that day.
    ratio: above 0, not 1. at_days: planned follow-up of each patient, within what the registry has seen; five years if
    left out.
    Raises: GraftledgerError for a ratio that cannot be, or a time past follow-up.
    """
    if not ratio > 0.0 or ratio == 1.0:
        raise GraftledgerError("The hazard ratio must be above 0 and not 1, such as 1.5.")
    seen = seen_now(registry, NEXT_SESSION, chosen, at_days)
    first = seen.estimate
    if not 0.0 < first < 1.0:
        raise GraftledgerError("By that time nobody, or everybody, had a next session: nothing to plan with.")
    second = -math.expm1(ratio * math.log1p(-first))
    events = events_for_hazard_ratio(ratio, power=planning.power, level=planning.level, split=planning.split)
    by_patient = planning.split * first + (1.0 - planning.split) * second
    total = events / by_patient
    counted = (math.ceil(total * planning.split), math.ceil(total * (1.0 - planning.split)))
    power = simulated_power_hazard_ratio(counted, first, ratio, level=planning.level)
    return replace(_plan(seen, (first, second), counted, power), events=events)


def plan_rule_out(
    registry: Registry,
    measure: str,
    limit: float,
    *,
    level: float = 0.95,
    at_days: int | None = None,
    chosen: Chosen = EVERYBODY,
) -> RuleOut:
    """Cases without any event, so that the share is below a limit (`cases_without_event`).

    Raises: GraftledgerError for a measure that is no share of sessions, or a limit that cannot be.
    """
    if measure not in SHARES:
        raise GraftledgerError(f"--rule-out goes with a complication. {nearest(measure, list(SHARES))}")
    if not 0.0 < limit < 1.0:
        raise GraftledgerError("The limit must be above 0 and below 1, such as 0.01.")
    seen = seen_now(registry, measure, chosen, at_days)
    counted = _times(cases_without_event(limit, level=level), seen.design_effect)
    share = seen.base.estimate
    chance = None if share is None else (1.0 - share) ** (counted / seen.design_effect)
    return RuleOut(seen.base, limit, counted, chance, seen.counted_a_year, _years(seen, counted))


def smallest_difference(plan: Plan, cases: int, planning: Planning) -> float | None:
    """The smallest rise that so many counted cases, in both groups together, would show; None where none would.

    As `plan_difference`, with the design effect and the spread of a plan for the same measure.
    """
    first = plan.first

    def needed(difference: float) -> float:
        if plan.base.measure == GRAFT_SURVIVAL:
            sd = _sd_between_patients(plan.base)
            return sum(
                cases_two_means(difference, sd, power=planning.power, level=planning.level, split=planning.split)
            )
        plain = cases_two_shares(
            first, first + difference, power=planning.power, level=planning.level, split=planning.split
        )
        return sum(plain) * plan.design_effect

    return _smallest(needed, cases, 1.0 - first)


def _smallest(needed: Callable[[float], float], cases: int, largest: float) -> float | None:
    low, high = 1e-5, largest - 1e-9
    if high <= low or needed(high) > cases:
        return None
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if needed(middle) <= cases else (middle, high)
    return high


def _plan(seen: Seen, shares: tuple[float, float], counted: tuple[int, int], power: float) -> Plan:
    entered = (_times(counted[0], 1.0 / seen.share_counted), _times(counted[1], 1.0 / seen.share_counted))
    return Plan(
        seen.base,
        *shares,
        counted,
        entered,
        seen.design_effect,
        seen.share_counted,
        seen.counted_a_year,
        _years(seen, sum(counted)),
        power,
    )


def _years(seen: Seen, counted: int) -> float | None:
    return counted / seen.counted_a_year + seen.wait_days / 365.25 if seen.counted_a_year else None


def _times(cases: int, factor: float) -> int:
    return math.ceil(cases * factor - 1e-9)


def _sd_between_patients(figure: Figure) -> float:
    """Standard deviation of a patient's yield, weighted as in the figure: its standard error times root patients."""
    if figure.lower is None or figure.upper is None or not figure.n_clusters:
        raise GraftledgerError("The registry has too few counted areas to plan with.")
    return (figure.upper - figure.lower) / (2.0 * normal_quantile(figure.level)) * math.sqrt(figure.n_clusters)
