"""The page in plain sentences, with what to read with care."""

from __future__ import annotations

from collections.abc import Iterator

from pipelines.comparison.blinding import LEAST_PEERS
from pipelines.comparison.measures import HELPED, SESSIONS_HELD

from ... import wording
from ...layout import Section
from .._data import BenchmarkData
from .._words import lowered, position_words, told_ratio, why_not_words

FEW_EVENTS = 10


def in_short(data: BenchmarkData) -> Section:
    """Who, what lies outside what chance does, and cautions."""
    return Section(
        "in-short",
        "In short",
        "in_short.html",
        {
            "who": who(data),
            "outside": list(_outside(data)),
            "rest": _rest(data),
            "alarms": _alarms(data),
            "cautions": list(_cautions(data)),
        },
    )


def who(data: BenchmarkData) -> str:
    """How many sessions the page is about."""
    held = next(figure for figure in data.of(SESSIONS_HELD) if not figure.group)
    sites = sum(1 for figure in data.of(SESSIONS_HELD) if figure.group)
    at = f" at {wording.counted(sites, 'site')}" if sites > 1 else ""
    days = f"{wording.date_words(data.practice.first_on)} to {wording.date_words(data.practice.last_on)}"
    patients = f" of {wording.counted(held.n_clusters or 0, 'patient')}" if held.n else ""
    return f"{wording.counted(held.n, 'session')}{patients}{at} under your responsibility, {days}."


def _outside(data: BenchmarkData) -> Iterator[str]:
    for comparison, result in data.results:
        position = result.position
        if position is None or result.ratio is None or not (position.flag or position.beyond_favourable):
            continue
        yield (
            f"{comparison.measure.label}: {wording.whole(result.observed)} seen, "
            f"{result.expected or 0:,.1f} expected, ratio {told_ratio(result.ratio)}. "
            f"{position_words(comparison, result, data.floor).capitalize()}."
        )


def _rest(data: BenchmarkData) -> str:
    """Measures that are within chance, and those of which nothing can be said."""
    within = [
        lowered(comparison.measure.label)
        for comparison, result in data.results
        if result.position and not (result.position.flag or result.position.beyond_favourable)
    ]
    unsaid: dict[str, list[str]] = {}
    for comparison, result in data.results:
        if result.position is None:
            why = why_not_words(result, data.floor) or "no limits to compare with"
            unsaid.setdefault(why, []).append(lowered(comparison.measure.label))
    parts = []
    if within:
        parts.append(
            f"Inside the limits, which allow for chance, for differences that no record holds and for several outcomes "
            f"at once: {wording.listed(within)}."
        )
    parts += [f"Nothing can be said of {wording.listed(names)}: {why}." for why, names in unsaid.items()]
    return " ".join(parts)


def _alarms(data: BenchmarkData) -> str:
    """What the trends of the years shown say, beside the period compared."""
    if not data.trends:
        return ""
    told = [
        f"{lowered(trend.measure.label)} ({wording.listed([wording.month_words(day) for day in trend.alarms])})"
        for trend in data.trends
        if trend.alarms
    ]
    if not told:
        return "No trend reached its limit."
    return f"The trend reached its limit for {wording.listed(told)}: a reason to look, and no verdict (My trend)."


def _cautions(data: BenchmarkData) -> Iterator[str]:
    yield (
        "A comparison of individuals is a prompt for review, not a verdict. It cannot tell skill from patients, from "
        "records or from chance."
    )
    yield from _of_time(data)
    few = [
        lowered(comparison.measure.label)
        for comparison, result in data.results
        if comparison.measure.model == "share" and result.expected is not None and result.observed < FEW_EVENTS
    ]
    if few:
        yield (
            f"Small numbers swing: fewer than {FEW_EVENTS} events of {wording.listed(few)}. One patient more or less "
            "moves these ratios a good deal. Read the intervals."
        )
    yield (
        "Only what records hold of patients is allowed for. Whoever takes the harder cases in ways that no record "
        "holds has worse results at the same skill."
    )
    if any(figure.n for figure in data.of(HELPED, sessions="own")):
        yield "In some of your sessions somebody else harvested or placed: results are those of a team."
    if not any(data.peers.values()):
        yield (
            f"No peer is shown: on no measure do at least {LEAST_PEERS} other surgeons have enough cases, and fewer "
            "could be told apart."
        )


def _of_time(data: BenchmarkData) -> Iterator[str]:
    data_date, quarter = data.data_date, data.quarter
    if data_date is None:
        yield "No site has declared up to when its records are complete, so no outcome can be told."
    elif quarter.first_on > data_date:
        yield (
            f"The quarter {quarter} lies after the data: records are complete to {wording.date_words(data_date)}. "
            "Nothing is said of it; the results are of the sessions before."
        )
    elif quarter.last_on > data_date:
        yield f"Records are complete to {wording.date_words(data_date)}; the quarter {quarter} is not all there yet."
    frozen = data.practice.frozen
    if frozen is not None and frozen.reference_to > data.practice.last_on:
        yield (
            f"The case-mix model rests on sessions to {wording.date_words(frozen.reference_to)}, some of them after "
            "this quarter."
        )
    yield "Outcomes need time: the last months of sessions are not judged yet, which is counted as “not due yet”."
