"""Numbers into words: nothing rounded away, nothing claimed that was not seen."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import wilson
from pipelines.figure import Figure
from reports import wording


def figure(events: int, n: int) -> Figure:
    share = wilson(events, n)
    return Figure(
        "m", n, "sessions", "wilson", estimate=share.estimate, lower=share.lower, upper=share.upper, events=events
    )


def numbers(text: str) -> list[float]:
    return [float(number.replace(",", "")) for number in re.findall(r"[\d,]+\.?\d*", text)]


@given(st.floats(min_value=0, max_value=1, exclude_min=True, exclude_max=True))
def test_only_0_is_written_as_nothing_and_only_1_as_everything(share: float) -> None:
    text = wording.percent(share)
    assert text not in ("0.0%", "0.00%", "100.0%", "100.00%", "0%", "100%")
    assert wording.percent(share, 1) not in ("0.0%", "100.0%")


@given(st.floats(min_value=0, max_value=1))
def test_a_percentage_is_the_share_to_within_its_rounding(share: float) -> None:
    text = wording.percent(share)
    (written,) = numbers(text)
    rounding = 0.005 if share < 0.00995 else 0.05
    if text.startswith("below"):
        assert share * 100 < written
    elif text.startswith("above"):
        assert share * 100 > written
    else:
        assert written == pytest.approx(share * 100, abs=rounding + 1e-9)


@given(st.floats(min_value=0, max_value=1))
def test_a_natural_frequency_is_within_its_rounding(share: float) -> None:
    text = wording.natural_frequency(share)
    if text == "none":
        assert share == 0
        return
    n, base = numbers(text)
    if text.startswith("fewer"):
        assert 0 < share < n / base
    elif text.startswith("more"):
        assert share > n / base
    else:
        assert n >= 1
        assert n / base == pytest.approx(share, abs=0.5 / base + 1e-9)


def test_no_event_is_written_with_its_upper_limit() -> None:
    # by hand: Wilson upper limit of 0 of 140 is z^2 / (n + z^2) = 3.8415 / 143.8415 = 0.02671
    assert wording.share_words(figure(0, 140)) == "0 of 140: below 2.7%"
    assert wording.interval_words(figure(0, 140)) == "below 2.7%"


def test_all_events_are_written_with_their_lower_limit() -> None:
    assert wording.interval_words(figure(140, 140)) == "above 97.3%"  # by hand: 1 - 0.02671


def test_an_interval_has_the_decimals_of_its_estimate() -> None:
    # other software: R 4.2, prop.test(3, 1000, correct = FALSE)
    assert wording.share_words(figure(3, 1000)) == "0.30% (95% interval 0.10% to 0.88%)"


def test_without_limits_it_says_so() -> None:
    alone = Figure("m", 1, "areas", "clustered_ratio", estimate=0.9)
    assert wording.share_words(alone) == "90.0% (no interval)"


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        (Figure("m", 0, "sessions", "wilson", flags=("too_few",)), "none counted"),
        (Figure("m", 9, "patients", "kaplan_meier_loglog", at=3652, flags=("beyond_follow_up",)), "beyond follow-up"),
        (Figure("m", 9, "patients", "wilson", flags=("suppressed",)), "suppressed"),
    ],
)
def test_where_there_is_no_estimate_it_says_why(shown: Figure, words: str) -> None:
    assert wording.estimate_words(shown) == words
    assert wording.interval_words(shown) == ""
    assert wording.share_words(shown) == words
