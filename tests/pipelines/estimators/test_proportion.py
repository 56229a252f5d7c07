"""Intervals for a share."""

import pytest

from pipelines.estimators import CountsError, clopper_pearson, wilson, zero_event_upper

# Published: Newcombe 1998, Stat Med 17:857-872, table I (methods 3 and 5), to four decimals.
NEWCOMBE_TABLE_I = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("successes", "n", "score", "exact"), NEWCOMBE_TABLE_I)
def test_newcombe_1998_table_i(successes: int, n: int, score: tuple[float, float], exact: tuple[float, float]) -> None:
    for interval, (lower, upper) in ((wilson(successes, n), score), (clopper_pearson(successes, n), exact)):
        assert interval.estimate == successes / n
        assert interval.lower == pytest.approx(lower, abs=0.00005)
        assert interval.upper == pytest.approx(upper, abs=0.00005)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
@pytest.mark.parametrize(("successes", "n"), [(0, 1), (1, 1), (1, 7), (6, 7), (7, 7), (40, 1000)])
def test_other_software_statsmodels(successes: int, n: int, level: float) -> None:
    """Other software: statsmodels proportion_confint, methods wilson and beta."""
    from statsmodels.stats.proportion import proportion_confint

    for interval, method in ((wilson, "wilson"), (clopper_pearson, "beta")):
        ours = interval(successes, n, level)
        lower, upper = proportion_confint(successes, n, alpha=1 - level, method=method)
        assert ours.lower == pytest.approx(lower, abs=1e-12)
        assert ours.upper == pytest.approx(upper, abs=1e-12)


def test_ends_are_exactly_0_and_1() -> None:
    for interval in (wilson, clopper_pearson):
        assert interval(0, 9).lower == 0.0
        assert interval(9, 9).upper == 1.0


def test_exact_limits_by_hand() -> None:
    """By hand: none of n has probability (1 - p) ** n, set to half of 5 %; likewise all of n."""
    assert (1 - clopper_pearson(0, 12).upper) ** 12 == pytest.approx(0.025)
    assert clopper_pearson(12, 12).lower ** 12 == pytest.approx(0.025)


def test_zero_event_bound() -> None:
    """By hand: (1 - p) ** n = 5 %. Published: "rule of three", Hanley & Lippman-Hand 1983, JAMA 249:1743-1745."""
    assert (1 - zero_event_upper(50)) ** 50 == pytest.approx(0.05)
    assert zero_event_upper(1000) == pytest.approx(3 / 1000, rel=0.005)
    assert zero_event_upper(1, 0.9) == pytest.approx(0.9)
    assert zero_event_upper(30) < clopper_pearson(0, 30).upper


@pytest.mark.parametrize(("successes", "n"), [(0, 0), (-1, 5), (6, 5)])
def test_impossible_counts_are_refused(successes: int, n: int) -> None:
    for interval in (wilson, clopper_pearson):
        with pytest.raises(CountsError):
            interval(successes, n)


def test_nobody_has_no_bound() -> None:
    with pytest.raises(CountsError, match="at least one"):
        zero_event_upper(0)


@pytest.mark.parametrize("level", [0.0, 1.0, 95])
def test_level_is_a_share(level: float) -> None:
    for interval in (wilson, clopper_pearson):
        with pytest.raises(ValueError, match=r"0\.95"):
            interval(1, 5, level)
    with pytest.raises(ValueError, match=r"0\.95"):
        zero_event_upper(5, level)
