"""Peers stay blinded: labels, bands and the least number of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.comparison.blinding import BANDS, LEAST_PEERS, blinded_labels, peers_of, volume_bands
from pipelines.comparison.case_mix import fit_case_mix
from pipelines.comparison.compare import compare_surgeons
from pipelines.comparison.measures import COMPARED
from pipelines.comparison.results import MeasureComparison
from registry.store import open_registry
from tests.pipelines.comparison.made_up import FIRST_ON, LAST_ON, sessions

CODES = [f"S{number}" for number in range(1, 10)]


def comparison(surgeons: int) -> MeasureComparison:
    counts = {code: 60 + 17 * place for place, code in enumerate(CODES[:surgeons])}
    rows, measure = sessions(counts), COMPARED["folliculitis"]
    model = fit_case_mix(rows, measure, FIRST_ON, LAST_ON, floor=10)
    return compare_surgeons(rows, measure, model, CODES, FIRST_ON, LAST_ON, floor=10)


def test_labels_are_stable_in_a_report_and_differ_between_reports(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry:
        first = blinded_labels(registry, "S1 2026-Q3", CODES)
        assert first == blinded_labels(registry, "S1 2026-Q3", CODES[::-1])
        assert sorted(first.values(), key=lambda label: int(label.split()[1])) == [f"Peer {n}" for n in range(1, 10)]
        others = [blinded_labels(registry, f"S{n} 2026-Q3", CODES) for n in range(2, 6)]
    assert all(other != first for other in others)


def test_labels_do_not_follow_the_order_of_codes(empty_registry: Path) -> None:
    """By chance one report in nine factorial would; of twenty reports none does."""
    with open_registry(empty_registry) as registry:
        for number in range(20):
            labels = blinded_labels(registry, f"report {number}", CODES)
            assert [labels[code] for code in CODES] != [f"Peer {n}" for n in range(1, 10)]


@pytest.mark.parametrize(
    "counts",
    [
        {"a": 12, "b": 300, "c": 5000, "d": 40, "e": 41},
        {"a": 9, "b": 11, "c": 12},
        {"a": 1000, "b": 10},
        dict(zip("abcdefgh", (11, 26, 51, 101, 201, 401, 402, 500), strict=True)),
    ],
)
def test_no_band_holds_one_peer_alone(counts: dict[str, int]) -> None:
    bands = volume_bands(counts)
    labels = [band.label for band in bands.values()]
    assert all(labels.count(label) >= 2 for label in labels)
    assert not any(counts[code] < BANDS[0] for code in bands)


def test_a_lone_surgeon_has_no_band() -> None:
    assert volume_bands({"a": 50}) == {}


def test_fewer_peers_than_the_least_are_not_shown(empty_registry: Path) -> None:
    with open_registry(empty_registry) as registry:
        for surgeons in (LEAST_PEERS, LEAST_PEERS + 1):
            found = comparison(surgeons)
            others = {code: result.n for code, result in found.results.items() if code != "S1" and result.n}
            shown = peers_of(found, "S1", blinded_labels(registry, "r", list(others)), volume_bands(others), 10)
            assert len(shown) == (0 if surgeons == LEAST_PEERS else LEAST_PEERS)


def test_a_peer_is_rounded_and_its_interval_is_not_of_its_own_cases(empty_registry: Path) -> None:
    """Two peers with the same rounded result and band have the same interval, whatever their cases."""
    with open_registry(empty_registry) as registry:
        found = comparison(9)
        others = {code: result.n for code, result in found.results.items() if code != "S1"}
        shown = peers_of(found, "S1", blinded_labels(registry, "r", list(others)), volume_bands(others), 10)
    assert len(shown) == 8
    limits: dict[tuple[str, float], set[tuple[float, float]]] = {}
    for peer in shown:
        assert peer.estimate == round(peer.estimate, 1)
        assert peer.lower <= peer.estimate <= peer.upper
        limits.setdefault((peer.band, peer.estimate), set()).add((peer.lower, peer.upper))
    assert all(len(pairs) == 1 for pairs in limits.values())
