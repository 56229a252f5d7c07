"""Charts over time: a centre, limits, and rules for what is more than chance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from pipelines.estimators.errors import CountsError

SIGMAS = 3.0
SHIFT = 8
"""So many points in a row on one side of the centre are a shift."""
DISPERSION_ALPHA = 0.05
"""Own choice, no source: below it, points differ by more than chance and Laney's limits are taken."""
FEWEST_EXPECTED = 5.0
"""Cochran's rule: below so many events expected a period, on average, normal limits and chi-square do not hold."""
TAIL = 0.00135
"""Chance beyond three standard deviations on one side, were points normal."""
_D2 = 1.128
"""Mean range of two standard normal numbers, 2 / sqrt(pi), as the quality-control tables round it."""


@dataclass(frozen=True)
class ChartPoint:
    """One point. value: share, rate or gap. lower, upper: control limits, None in a run chart.

    beyond: outside the limits. shift: part of a run on one side of the centre that is too long.
    """

    value: float
    lower: float | None
    upper: float | None
    beyond: bool
    shift: bool


@dataclass(frozen=True)
class ControlChart:
    """Points in their order with the centre that the limits stand around.

    method: `p_chart`, `u_chart`, `laney_p`, `laney_u`, `exact_p`, `exact_u`, `g_chart` or `run_chart`.
    run_needed: length of a run that is a shift; None where that
    rule does not hold. sigma_z: Laney's ratio of the spread between points to that of chance. dispersion_p: p value of
    points differing by chance alone; None where it was not asked.
    """

    method: str
    centre: float
    points: tuple[ChartPoint, ...]
    run_needed: int | None
    sigma_z: float | None = None
    dispersion_p: float | None = None


def p_chart(events: Sequence[int], sizes: Sequence[int]) -> ControlChart:
    """Share of each period with limits around the overall share.

    Centre: sum of events / sum of sizes. Limits: centre +- 3 sqrt(centre (1 - centre) / size), kept within 0-1.
    Overdispersed (chi-square of the periods, p < 0.05): Laney's p', whose limits are wider by sigma_z, the mean moving
    range of the standardised points / 1.128. Rules: a point outside the limits; 8 in a row on one side of the centre
    (a point on it neither counts nor breaks). Rare, with fewer than 5 events expected a period on average: limits from
    the binomial itself (0.135 % of chance points beyond either, at most), no rule of runs, no test of dispersion, since
    most points then lie below the centre by chance; better use `g_chart`.
    Assumes: sessions of a period are independent and periods like each other. Misleads where the mix of patients or who
    is assessed changes; with fewer than about 12 periods.
    events: whole, 0 to size. sizes: at least 1. Raises: CountsError for other counts, or no period.
    Source: Shewhart 1931, Economic Control of Quality of Manufactured Product (limits); Western Electric 1956,
    Statistical Quality Control Handbook (8 in a row); Laney 2002, Qual Eng 14:531-537 (p').

    >>> chart = p_chart([5, 5, 20], [50, 50, 50])
    >>> round(chart.centre, 2), chart.points[2].beyond, chart.method
    (0.2, False, 'laney_p')
    """
    _checked(events, sizes)
    if any(event > size for event, size in zip(events, sizes, strict=True)):
        raise CountsError("more events than sessions in a period")
    centre = sum(events) / sum(sizes)
    spread = [math.sqrt(centre * (1.0 - centre) / size) for size in sizes]
    return _shewhart(events, sizes, centre, spread, "p", 1.0)


def u_chart(events: Sequence[int], sizes: Sequence[int]) -> ControlChart:
    """Events a session of each period with limits around the overall rate.

    As `p_chart`, with centre +- 3 sqrt(centre / size) and Laney's u' where overdispersed. Assumes events are as good as
    Poisson: one does not bring the next. events: whole, at least 0.
    Source: as `p_chart`; Laney 2002 for u'.
    """
    _checked(events, sizes)
    centre = sum(events) / sum(sizes)
    return _shewhart(events, sizes, centre, [math.sqrt(centre / size) for size in sizes], "u", math.inf)


def g_chart(gaps: Sequence[int]) -> ControlChart:
    """Sessions without the event between one event and the next, for rare events.

    Centre: the median, since gaps are skewed. The chance of the event is 1 / (mean gap g + 1). Upper limit: the gap
    that 0.135 % of chance gaps exceed, from the geometric law itself (g + 3 sqrt(g (g + 1)), often used, is exceeded by
    1.8 %); the lower is 0, since no gap is short enough to be that rare. A high point is good news. Rules: a point
    above the limit; 8 in a row on one side of the median. More events than before show as a run below the median, never
    as one point.
    Assumes: sessions are independent with one chance of the event (gaps are then geometric). The wait before the first
    event and since the last are no gaps: leave them out.
    gaps: whole, at least 0. Raises: CountsError for others, or no gap.
    Source: Kaminsky, Benneyan, Davis & Burke 1992, J Qual Technol 24:63-69; Benneyan 2001, Health Care Manag Sci
    4:305-318.

    >>> chart = g_chart([40, 60, 50])
    >>> chart.centre, round(chart.points[0].upper, 1), chart.points[0].lower
    (50.0, 333.7, 0.0)
    """
    if not gaps or min(gaps) < 0:
        raise CountsError("a chart of gaps needs gaps of at least 0")
    mean = sum(gaps) / len(gaps)
    upper = math.log(TAIL) / math.log(mean / (mean + 1.0)) if mean else 0.0
    centre = float(median(gaps))
    return _with_rules("g_chart", centre, [(float(gap), 0.0, upper) for gap in gaps], SHIFT)


def run_chart(values: Sequence[float]) -> ControlChart:
    """Points around their median, without limits. A shift: a run longer than log2(points off the median) + 3, rounded.

    Where fewer than half the points lie off the median, as with rare events, runs tell nothing and are not counted.
    Raises: CountsError for no point. Source: Anhoj & Olesen 2014, PLoS ONE 9:e113825.
    """
    if not values:
        raise CountsError("a chart needs a point")
    centre = median(values)
    useful = sum(value != centre for value in values)
    needed = round(math.log2(useful) + 3.0) + 1 if 2 * useful >= len(values) else None
    return _with_rules("run_chart", centre, [(value, None, None) for value in values], needed)


def _checked(events: Sequence[int], sizes: Sequence[int]) -> None:
    if not sizes or min(sizes) < 1 or min(events) < 0:
        raise CountsError("a chart needs periods with at least one session each, and no negative count")


def _shewhart(
    events: Sequence[int], sizes: Sequence[int], centre: float, spread: Sequence[float], letter: str, most: float
) -> ControlChart:
    values = [event / size for event, size in zip(events, sizes, strict=True)]
    if sum(events) < FEWEST_EXPECTED * len(values):
        exact = [(value, *_exact(centre, size, letter)) for value, size in zip(values, sizes, strict=True)]
        return _with_rules(f"exact_{letter}", centre, exact, None)
    sigma_z, p, widened = None, None, False
    if len(values) > 1 and min(spread) > 0.0:
        from scipy.special import chdtrc

        z = [(value - centre) / sigma for value, sigma in zip(values, spread, strict=True)]
        sigma_z = sum(abs(later - earlier) for earlier, later in pairwise(z)) / (len(z) - 1) / _D2
        p = float(chdtrc(len(z) - 1, sum(number**2 for number in z)))
        widened = p < DISPERSION_ALPHA and sigma_z > 1.0
    width = SIGMAS * (sigma_z if widened and sigma_z else 1.0)
    limits = [
        (value, max(0.0, centre - width * sigma), min(most, centre + width * sigma))
        for value, sigma in zip(values, spread, strict=True)
    ]
    chart = _with_rules(f"laney_{letter}" if widened else f"{letter}_chart", centre, limits, SHIFT)
    return replace(chart, sigma_z=sigma_z, dispersion_p=p)


def _exact(centre: float, size: int, letter: str) -> tuple[float, float]:
    """Limits beyond each of which at most TAIL of chance counts lie, as shares or rates."""
    from scipy.stats import binom, poisson

    law = binom(size, centre) if letter == "p" else poisson(size * centre)
    return float(law.ppf(TAIL)) / size, float(law.ppf(1.0 - TAIL)) / size


def _with_rules(
    method: str,
    centre: float,
    limits: Sequence[tuple[float, float | None, float | None]],
    needed: int | None,
) -> ControlChart:
    shifted = _in_runs([value for value, _, _ in limits], centre, needed) if needed else set()
    points = tuple(
        ChartPoint(
            value,
            lower,
            upper,
            (upper is not None and value > upper + 1e-12) or (lower is not None and value < lower - 1e-12),
            place in shifted,
        )
        for place, (value, lower, upper) in enumerate(limits)
    )
    return ControlChart(method, centre, points, needed)


def _in_runs(values: Sequence[float], centre: float, needed: int) -> set[int]:
    """Places of the points in runs on one side that are long enough."""
    found: set[int] = set()
    run: list[int] = []
    side = 0
    for place, value in enumerate(values):
        if value == centre:
            continue
        here = 1 if value > centre else -1
        run = [*run, place] if here == side else [place]
        side = here
        if len(run) >= needed:
            found |= set(run)
    return found
