"""Peers without names: who may be shown, under which label, and how little of them.

What a page tells of a peer must not give the peer back to a reader who knows the practice. So: no peer at all where
there are too few; labels that are stable for one report and order nothing; volumes in bands; results rounded; and
intervals of the band's middle, not of the peer's own cases, for an exact interval gives back the counts behind it.
"""

from __future__ import annotations

import hashlib
import hmac
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from registry.store import Registry

from ..estimators.limits import normal_quantile
from ..estimators.standardised import standardised_ratio
from .funnel_lines import session_error
from .results import MeasureComparison

LEAST_IN_BAND = 2
LEAST_PEERS = 4
"""Fewer other surgeons with enough cases on a measure, and no peer is shown on it (common practice, no source)."""
BANDS = (10, 25, 50, 100, 200, 400)
"""First numbers of sessions of the bands of volume; a peer below the first is never shown."""


@dataclass(frozen=True)
class Band:
    """A band of sessions in the period, such as `25-49`, and its middle."""

    label: str
    middle: float


@dataclass(frozen=True)
class Peer:
    """What is shown of a peer on one measure. band: of the peer's sessions in the period, the same on every measure.

    volume: sessions (of grafts: with counts) that the band's middle would have assessed, as in all of the practice.
    estimate: observed over expected, rounded. lower, upper: limits that anybody with the band's middle would have.
    """

    label: str
    band: str
    volume: int
    estimate: float
    lower: float
    upper: float


def volume_bands(sessions: Mapping[str, int]) -> dict[str, Band]:
    """A band for each surgeon by number of sessions in the period; no band holds one surgeon alone.

    Fixed bands; one that holds a single surgeon joins the neighbour that holds fewer. With a single surgeon at all,
    nobody has a band.

    >>> {code: band.label for code, band in volume_bands({"a": 12, "b": 30, "c": 45, "d": 60, "e": 70}).items()}
    {'a': '10-49', 'b': '10-49', 'c': '10-49', 'd': '50-99', 'e': '50-99'}
    """
    bands: list[list[str]] = [[] for _ in BANDS]
    for code, count in sessions.items():
        place = sum(low <= count for low in BANDS) - 1
        if place >= 0:
            bands[place].append(code)
    spans = [(place, place, codes) for place, codes in enumerate(bands) if codes]
    while (
        len(spans) > 1
        and (lone := next((n for n, span in enumerate(spans) if len(span[2]) < LEAST_IN_BAND), None)) is not None
    ):
        beside = [n for n in (lone - 1, lone + 1) if 0 <= n < len(spans)]
        other = min(beside, key=lambda n: len(spans[n][2]))
        first, last = sorted((lone, other))
        joined = (spans[first][0], spans[last][1], [*spans[first][2], *spans[last][2]])
        spans[first : last + 1] = [joined]
    found: dict[str, Band] = {}
    for first, last, codes in spans:
        if len(codes) >= LEAST_IN_BAND:
            found |= dict.fromkeys(codes, _band(BANDS[first], BANDS[last + 1] if last + 1 < len(BANDS) else None))
    return found


def _band(low: int, high: int | None) -> Band:
    if high is None:
        return Band(f"{low} or more", low * 1.25)
    return Band(f"{low}-{high - 1}", math.sqrt(low * high))


def blinded_labels(registry: Registry, report: str, surgeons: Sequence[str]) -> dict[str, str]:
    """A label for each surgeon, in an order that only this registry knows and that no result plays a part in.

    The order is that of a keyed hash of report and code (HMAC with SHA-256), with the registry's own secret as key: the
    same report has the same labels each time, and another report, such as another surgeon's, has others, so that two
    pages laid side by side do not join up.
    """
    secret = str(registry.connection.execute("select key_salt from registry_info").fetchall()[0][0]).encode()

    def place(code: str) -> str:
        return hmac.new(secret, f"benchmark\n{report}\n{code}".encode(), hashlib.sha256).hexdigest()

    return {code: f"Peer {number}" for number, code in enumerate(sorted(surgeons, key=place), start=1)}


def peers_of(
    comparison: MeasureComparison,
    surgeon: str,
    labels: Mapping[str, str],
    bands: Mapping[str, Band],
    floor: int,
    level: float = 0.95,
) -> tuple[Peer, ...]:
    """The peers of a surgeon on one measure by label; none where fewer than the least have enough cases.

    A peer's interval is that of a count of the rounded result times what the band's middle would lead to expect.
    """
    others = [code for code in comparison.enough(floor) if code != surgeon and code in bands and code in labels]
    if len(others) < LEAST_PEERS or not comparison.share:
        return ()
    found = []
    for code in sorted(others, key=lambda code: _number(labels[code])):
        ratio = comparison.results[code].ratio
        assert ratio is not None
        estimate = round(ratio.estimate, 1)
        volume = max(round(bands[code].middle * comparison.assessed), 1)
        lower, upper = _limits(comparison, estimate, volume, level)
        found.append(Peer(labels[code], bands[code].label, volume, estimate, lower, upper))
    return tuple(found)


def _number(label: str) -> int:
    return int(label.split()[-1])


def _limits(comparison: MeasureComparison, estimate: float, volume: int, level: float) -> tuple[float, float]:
    if comparison.measure.model == "grafts":
        # by chance a ratio of one session's grafts spreads alike with everybody
        reach = normal_quantile(level) * (session_error(comparison) or 0.0) / math.sqrt(volume)
        return round(max(estimate - reach, 0.0), 1), round(estimate + reach, 1)
    assert comparison.share
    expected = volume * comparison.share
    ratio = standardised_ratio(round(estimate * expected), expected, level, mid_p=True)
    return round(min(ratio.lower, estimate), 1), round(max(ratio.upper, estimate), 1)
