"""What the plot of peers draws, and what it must not give away."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from pipelines.figure import Figure
from reports.charts.peer_plot import PeerRow, peer_plot, peer_words
from reports.charts.theme import BLUE, GREY
from tests.reports.charts.drawn import SVG, marks, texts


def share(events: int, n: int, *flags: str) -> Figure:
    return Figure(
        "m", n, "sessions", "wilson", estimate=events / n, lower=0.5 * events / n, upper=1.7 * events / n, flags=flags
    )


ROWS = [
    PeerRow("Peer 10", share(2, 61)),
    PeerRow("Peer 2", share(19, 143)),
    PeerRow("Peer 1", share(7, 37), own=False),
    PeerRow("You", share(9, 90), own=True),
    PeerRow("Peer 3", Figure("m", 0, "sessions", "wilson")),
]


@pytest.mark.parametrize("narrow", [False, True])
def test_own_row_first_then_peers_by_label(narrow: bool) -> None:
    """Whatever the results, and whatever order the rows come in."""
    labels = ["You", "Peer 1", "Peer 2", "Peer 3", "Peer 10"]
    for rows in (ROWS, ROWS[::-1]):
        found = peer_plot(rows, "p", "Share", narrow=narrow)
        named = {
            "".join(node.itertext()): float(node.get("transform", "").split(",")[1].rstrip(")"))
            for node in ElementTree.fromstring(found.svg).iter(f"{SVG}text")
            if "".join(node.itertext()) in labels
        }
        assert sorted(named, key=lambda label: named[label]) == labels


def test_only_the_own_numbers_are_written() -> None:
    found = texts(peer_plot(ROWS, "p", "Share"))
    assert "10.0% (5.0% to 17.0%)" in found
    assert "none counted" in found
    assert sum("to" in text.split() for text in found) == 1


def test_peers_stand_at_whole_pixels() -> None:
    found = peer_plot(ROWS, "p", "Share")
    peers = marks(found, GREY)
    assert len(peers) == 3
    assert all(abs(x - round(x)) < 1e-6 for x, _ in peers)
    assert len(marks(found, BLUE)) == 1


def test_a_ratio_of_0_has_no_dot() -> None:
    """By hand: 0 has no place on a logarithmic axis; its interval runs to the edge."""
    none = Figure("m", 9, "sessions", "x", estimate=0.0, lower=0.0, upper=2.5)
    some = Figure("m", 9, "sessions", "x", estimate=1.0, lower=0.5, upper=2.0)
    found = peer_plot([PeerRow("Peer 1", none), PeerRow("You", some, own=True)], "p", "Ratio", ratio=True, reference=1)
    assert not marks(found, GREY)
    assert len(marks(found, BLUE)) == 1
    assert "1.00 (0.50 to 2.00)" in texts(found)


def test_words_tell_the_own_result_and_count_the_peers() -> None:
    said = peer_words(ROWS, "swelling")
    assert "You: 10.0% (5.0% to 17.0%)" in said
    assert "4 blinded peers in the order of their labels" in said
    assert "13.3%" not in said


def test_too_few_is_said_of_the_own_row() -> None:
    assert "too few" in peer_words([PeerRow("You", share(1, 6, "too_few"), own=True)], "swelling")


def test_one_own_row_at_most() -> None:
    with pytest.raises(ValueError, match="one own row"):
        peer_plot([PeerRow("You", share(1, 9), own=True)] * 2, "p", "Share")
    with pytest.raises(ValueError, match="one row"):
        peer_plot([], "p", "Share")
