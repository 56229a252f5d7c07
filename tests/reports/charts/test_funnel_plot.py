"""What a funnel plot draws, read back from its SVG, and what it must not give away."""

from __future__ import annotations

from itertools import pairwise

import pytest

from reports.charts.funnel_plot import FunnelLimit, FunnelPoint, funnel_plot, funnel_words
from reports.charts.right_labels import right_labels
from reports.charts.svg import Drawing
from reports.charts.theme import BLUE, GREY, VERMILLION
from tests.reports.charts.drawn import marks, texts

LIMITS = [
    FunnelLimit(volume, (0.0 if volume < 60 else 0.03, 0.2 - volume / 2500), (0.0, 0.3 - volume / 1200))
    for volume in range(10, 211, 20)
]
PEERS = [FunnelPoint(37.0, 3 / 37), FunnelPoint(110.0, 9 / 110), FunnelPoint(61.0, 2 / 61)]
OWN = FunnelPoint(90.0, 0.2, "You", 0.12, 0.3, "alert")


def drawing(*points: FunnelPoint, percent: bool = True, narrow: bool = False) -> Drawing:
    return funnel_plot(
        points,
        LIMITS,
        "funnel",
        target=0.08,
        axis_title="Share",
        volume_title="Sessions",
        percent=percent,
        narrow=narrow,
    )


@pytest.mark.parametrize("narrow", [False, True])
def test_limits_target_and_own_point_are_labelled(narrow: bool) -> None:
    found = texts(drawing(OWN, *PEERS, narrow=narrow))
    assert {"You: alert", "target 8.0%", "99.8%", "95%", "Share", "Sessions"} <= set(found)


def test_peers_have_no_name_and_no_exact_place() -> None:
    """By hand: all peers are drawn, by volume, at whole pixels, so that 9 of 110 cannot be read back."""
    found = drawing(OWN, *PEERS)
    peers = marks(found, GREY)
    assert len(peers) == 3
    assert peers == sorted(peers)
    assert all(abs(x - round(x)) < 1e-6 and abs(y - round(y)) < 1e-6 for x, y in peers)
    assert drawing(*PEERS).svg == drawing(*reversed(PEERS)).svg
    for number in ("37", "110", "61", "0.0818"):
        assert number not in " ".join(texts(found)).split()


def test_the_flag_changes_colour_and_shape() -> None:
    flagged, plain = drawing(OWN), drawing(FunnelPoint(90.0, 0.2, "You", 0.12, 0.3))
    assert len(marks(flagged, VERMILLION)) == 1
    assert not marks(plain, VERMILLION)
    assert len(marks(plain, BLUE)) == 1
    assert "You" in texts(plain)


def test_a_peer_carries_neither_interval_nor_flag() -> None:
    with pytest.raises(ValueError, match="neither"):
        drawing(FunnelPoint(10.0, 0.2, flag="alert"))
    with pytest.raises(ValueError, match="neither"):
        drawing(FunnelPoint(10.0, 0.2, lower=0.1))
    with pytest.raises(ValueError, match="two volumes"):
        funnel_plot([OWN], LIMITS[:1], "f", target=0.1, axis_title="", volume_title="", percent=True)


def test_words() -> None:
    said = funnel_words([OWN, *PEERS], "swelling", target=0.08, percent=True)
    assert "You: 20.0% (12.0% to 30.0%), alert; 3 others are dots without a name" in said
    assert "target of 8.0%" in said


def test_labels_at_the_right_stand_apart_within_the_plot() -> None:
    """By hand: three lines within 4 pixels take places 13 pixels apart, in the order of the lines."""
    rows = right_labels([(0.02, "low", ""), (0.03, "middle", ""), (0.04, "high", ""), (2.0, "off", "")], 0, 1, 200)
    assert [row["text"] for row in rows] == ["high", "middle", "low"]
    heights = [row["height"] for row in rows]
    assert [round(later - earlier) for earlier, later in pairwise(heights)] == [13, 13]
    assert max(heights) <= 200
    assert right_labels([], 0, 1, 100) == []
