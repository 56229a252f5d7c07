"""My outcomes beside what was expected and beside blinded peers."""

from __future__ import annotations

from typing import Any

from pipelines.comparison.blinding import LEAST_PEERS
from pipelines.comparison.funnel_lines import funnel_lines
from pipelines.comparison.measures import OBSERVED_TO_EXPECTED, PEER
from pipelines.comparison.results import MeasureComparison, SurgeonResult

from ... import wording
from ...charts.funnel_plot import FunnelLimit, FunnelPoint, funnel_plot, funnel_words
from ...charts.peer_plot import PeerRow, peer_plot, peer_words
from ...layout import Cell, Picture, Row, Section, Table
from .._data import BenchmarkData
from .._words import (
    counted_words,
    judged_words,
    lowered,
    position_words,
    ratio_cell,
    told_share,
)

ME = "You"
HIGHEST_LIMIT = 4.5
"""Where chance alone reaches such a ratio even at the most sessions, a funnel would show no limit, and is left out."""


def outcomes(data: BenchmarkData) -> Section:
    """A table over all measures, then for each one the peers and the funnel."""
    return Section(
        "outcomes",
        "My outcomes",
        "outcomes.html",
        {
            "table": _table(data),
            "standardised": _standardised(data),
            "blocks": [block for one, result in data.results if (block := _block(data, one, result))],
            "bands": "; ".join(f"{label}: {band}" for label, band in _bands(data).items()),
            "least_peers": LEAST_PEERS,
            "measures": len([1 for _, result in data.results if result.position is not None]),
            "floor": data.floor,
        },
    )


def _table(data: BenchmarkData) -> Table:
    rows = []
    for comparison, result in data.results:
        few = result.n < data.floor
        expected = wording.NOT_SHOWN if result.expected is None else f"{result.expected:,.1f}"
        rows.append(
            Row(
                comparison.measure.label,
                (
                    Cell(counted_words(comparison.measure, result), few=few),
                    Cell(expected, few=few),
                    ratio_cell(result.ratio, few=few),
                    ratio_cell(result.shrunken, few=few),
                    Cell(position_words(comparison, result, data.floor)),
                ),
            )
        )
    return Table(
        "What was seen, beside what is expected of the same patients by the records of all others",
        ("Outcome", "Seen", "Expected", "Ratio", "Drawn towards the average", "Reading"),
        tuple(rows),
        words=(5,),
    )


def _standardised(data: BenchmarkData) -> Table:
    rows = []
    for comparison, result in data.results:
        if result.ratio is None:
            continue
        few = result.n < data.floor
        needed = "not told apart" if result.cases_needed is None else wording.whole(result.cases_needed)
        p = "–" if result.p_adjusted is None else wording.p_words(result.p_adjusted)
        rows.append(
            Row(
                comparison.measure.label,
                (
                    told_share(result.indirect, few=few),
                    told_share(result.direct, few=few),
                    Cell("–" if result.reliability is None else f"{result.reliability:.2f}", few=few),
                    Cell(needed, few=few),
                    Cell(p, few=few),
                ),
            )
        )
    return Table(
        "The same as shares, and how far the measure can tell surgeons apart",
        (
            "Outcome",
            "Share, indirectly standardised",
            "Share, directly standardised",
            "Reliability",
            "Cases needed",
            "p, all measures allowed for",
        ),
        tuple(rows),
    )


def _block(data: BenchmarkData, comparison: MeasureComparison, result: SurgeonResult) -> dict[str, Any] | None:
    """Peers and funnel of one measure; None where the surgeon has nothing to compare."""
    if result.ratio is None or result.n < data.floor:
        return None
    measure = comparison.measure
    own = data.of(OBSERVED_TO_EXPECTED, outcome=measure.name)[0]
    rows = [PeerRow(ME, own, own=True)]
    rows += [PeerRow(figure.group["peer"], figure) for figure in data.of(PEER, outcome=measure.name)]
    subject = f"observed over expected, {lowered(measure.label)}"
    return {
        "name": measure.label,
        "judged": judged_words(measure, data.settings),
        "reading": position_words(comparison, result, data.floor),
        "flag": result.flag,
        "peers": _peers(rows, measure.name, subject) if len(rows) > 1 else None,
        "bands": [f"{figure.group['peer']}: {figure.group['cases']}" for figure in data.of(PEER, outcome=measure.name)],
        "funnel": _funnel(data, comparison, result, subject),
        "spread": _spread(comparison),
    }


def _bands(data: BenchmarkData) -> dict[str, str]:
    """The band of volume of each peer shown on any measure, by label."""
    found = {peer.label: peer.band for peers in data.peers.values() for peer in peers}
    return dict(sorted(found.items(), key=lambda item: int(item[0].split()[-1])))


def _peers(rows: list[PeerRow], name: str, subject: str) -> Picture:
    title = "Observed over expected; 1 is as expected"
    wide, narrow = (
        peer_plot(rows, f"peers-{name}{'-narrow' * small}", title, reference=1.0, ratio=True, narrow=small)
        for small in (False, True)
    )
    return Picture(wide, peer_words(rows, subject, ratio=True), narrow=narrow)


def _funnel(data: BenchmarkData, comparison: MeasureComparison, result: SurgeonResult, subject: str) -> Picture | None:
    peers = data.peers[comparison.measure.name]
    lines = funnel_lines(comparison, round(1.15 * max([result.n, *(peer.volume for peer in peers)])))
    assert result.ratio is not None
    if len(lines) < 2 or lines[-1].alert[1] > HIGHEST_LIMIT:
        return None
    points = [FunnelPoint(peer.volume, peer.estimate) for peer in peers]
    points.append(FunnelPoint(result.n, result.ratio.estimate, ME, result.ratio.lower, result.ratio.upper, result.flag))
    limits = [FunnelLimit(line.sessions, line.alert, line.priority) for line in lines]
    wide, narrow = (
        funnel_plot(
            points,
            limits,
            f"funnel-{comparison.measure.name}{'-narrow' * small}",
            target=1.0,
            axis_title="Observed over expected",
            volume_title="Sessions assessed",
            percent=False,
            narrow=small,
        )
        for small in (False, True)
    )
    return Picture(wide, funnel_words(points, subject, target=1.0, percent=False), narrow=narrow)


def _spread(comparison: MeasureComparison) -> str:
    """Over-dispersion in words."""
    found = comparison.dispersion
    if found is None or not found.told:
        return "Too few surgeons to say whether they differ beyond chance; limits are those of chance alone."
    if found.tau2 == 0:
        return "Surgeons differ no more than chance would have it; limits are those of chance alone."
    return (
        f"Surgeons differ more than chance would have it (factor {found.phi:.1f}); the limits are widened for that, "
        "since differences between patients that no record holds are the likeliest reason."
    )
