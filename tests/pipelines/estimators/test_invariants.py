"""What must hold for every possible set of spells."""

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.estimators import (
    RatioSums,
    clopper_pearson,
    clustered_ratio,
    cumulative_incidence,
    incidence_at,
    product_limit,
    quantile_with_limits,
    restricted_mean,
    risk_table,
    survival_at,
    wilson,
)

# entry day, length of stay, outcome (0 censored, 1 or 2 a cause), how many people
Spell = tuple[int, int, int, int]
SPELLS = st.lists(
    st.tuples(
        st.one_of(st.just(0), st.integers(0, 12)), st.integers(0, 12), st.integers(0, 2), st.integers(1, 5)
    ).filter(lambda spell: spell[0] == 0 or spell[1] > 0),
    max_size=12,
)
EVERY_DAY = range(26)


def as_frame(spells: list[Spell]) -> pl.DataFrame:
    """One row a spell, with two causes."""
    schema = ["entry_day", "exit_day", "events_a", "events_b", "censored"]
    rows = [
        (entry, entry + stay, *(people if outcome == kind else 0 for kind in (1, 2, 0)))
        for entry, stay, outcome, people in spells
    ]
    return pl.DataFrame(rows, schema=dict.fromkeys(schema, pl.Int64), orient="row")


def any_event(spells: pl.DataFrame) -> pl.DataFrame:
    """The same spells with both causes as one event."""
    return spells.select("entry_day", "exit_day", events=pl.col("events_a") + pl.col("events_b"), censored="censored")


@given(SPELLS)
def test_survival_falls_from_1_inside_its_limits(spells: list[Spell]) -> None:
    curve = product_limit(risk_table(any_event(as_frame(spells))))
    assert np.all((curve.survival >= 0) & (curve.survival <= 1))
    assert np.all(np.diff(curve.survival, prepend=1.0) <= 0)
    assert np.all(np.diff(curve.greenwood[np.isfinite(curve.greenwood)]) >= 0)
    for estimate in survival_at(curve, EVERY_DAY):
        if estimate.estimate is None:
            assert estimate.reason is not None
            continue
        assert estimate.lower is not None
        assert estimate.upper is not None
        assert 0 <= estimate.lower <= estimate.estimate <= estimate.upper <= 1
        assert estimate.lower < estimate.upper


@given(SPELLS)
def test_incidences_add_up_to_what_survival_lost(spells: list[Spell]) -> None:
    frame = as_frame(spells)
    curves = cumulative_incidence(risk_table(frame))
    curve = product_limit(risk_table(any_event(frame)))
    np.testing.assert_allclose(curves.incidence.sum(axis=0), 1 - curve.survival, atol=1e-12)
    np.testing.assert_array_equal(curves.survival, curve.survival)
    assert np.all(np.diff(curves.incidence, axis=1) >= -1e-12)
    for cause in curves.causes:
        for estimate, whole in zip(incidence_at(curves, cause, EVERY_DAY), survival_at(curve, EVERY_DAY), strict=True):
            assert (estimate.reason, estimate.at_risk) == (whole.reason, whole.at_risk)
            if estimate.estimate is None:
                continue
            assert estimate.lower is not None
            assert estimate.upper is not None
            assert 0 <= estimate.lower <= estimate.estimate <= estimate.upper <= 1
            assert estimate.lower < estimate.upper


@given(SPELLS, st.randoms(use_true_random=False))
def test_order_and_splitting_of_rows_do_not_matter(spells: list[Spell], random: object) -> None:
    single = [(entry, stay, outcome, 1) for entry, stay, outcome, people in spells for _ in range(people)]
    random.shuffle(single)  # type: ignore[attr-defined]
    assert risk_table(as_frame(single)).equals(risk_table(as_frame(spells)))


@given(SPELLS, st.integers(1, 20))
def test_a_stay_told_in_two_parts_gives_the_same_curve(spells: list[Spell], day: int) -> None:
    parts: list[Spell] = []
    for entry, stay, outcome, people in spells:
        if entry < day < entry + stay:
            parts += [(entry, day - entry, 0, people), (day, entry + stay - day, outcome, people)]
        else:
            parts.append((entry, stay, outcome, people))
    frame, split = as_frame(spells), as_frame(parts)
    whole = survival_at(product_limit(risk_table(any_event(frame))), EVERY_DAY)
    assert survival_at(product_limit(risk_table(any_event(split))), EVERY_DAY) == whole
    a_whole = incidence_at(cumulative_incidence(risk_table(frame)), "a", EVERY_DAY)
    a_split = incidence_at(cumulative_incidence(risk_table(split)), "a", EVERY_DAY)
    for ours, theirs in zip(a_split, a_whole, strict=True):
        assert (ours.events, ours.at_risk, ours.limits_by) == (theirs.events, theirs.at_risk, theirs.limits_by)
        np.testing.assert_allclose(
            np.array([ours.estimate, ours.lower, ours.upper], dtype=float),
            np.array([theirs.estimate, theirs.lower, theirs.upper], dtype=float),
            rtol=1e-6,
            atol=1e-9,
        )


@given(SPELLS, st.floats(0.05, 0.95), st.integers(1, 25))
def test_summaries_stay_inside_the_follow_up(spells: list[Spell], share: float, tau: int) -> None:
    curve = product_limit(risk_table(any_event(as_frame(spells))))
    quantile = quantile_with_limits(curve, share)
    if quantile.estimate_days is not None:
        assert curve.last_day is not None
        assert 0 <= quantile.estimate_days <= curve.last_day
        if quantile.upper_days is not None:
            assert quantile.upper_days >= quantile.estimate_days
    if quantile.lower_days is not None and quantile.estimate_days is not None:
        assert quantile.lower_days <= quantile.estimate_days
    mean = restricted_mean(curve, tau)
    assert (mean.estimate_days is None) == (mean.reason is not None)
    if mean.estimate_days is not None:
        survived = survival_at(curve, range(tau))
        by_hand = sum(day.estimate for day in survived if day.estimate is not None)
        np.testing.assert_allclose(mean.estimate_days, by_hand, rtol=1e-12)


@given(st.integers(1, 2000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_share_intervals_enclose_and_mirror(counts: tuple[int, int], level: float) -> None:
    successes, n = counts
    for interval in (wilson, clopper_pearson):
        ours, mirror = interval(successes, n, level), interval(n - successes, n, level)
        assert 0 <= ours.lower <= ours.estimate <= ours.upper <= 1
        assert ours.lower < ours.upper
        np.testing.assert_allclose([ours.lower, ours.upper], [1 - mirror.upper, 1 - mirror.lower], atol=1e-9)


@settings(max_examples=200)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(1, 50)), min_size=1, max_size=12))
def test_ratio_from_sums_equals_ratio_from_residuals(pairs: list[tuple[int, int]]) -> None:
    m = len(pairs)
    y, x = (np.array(column, dtype=float) for column in zip(*pairs, strict=True))
    sums = RatioSums(
        m,
        int(y.sum()),
        int(x.sum()),
        sum(b * b for b, _ in pairs),
        sum(a * b for b, a in pairs),
        sum(a * a for _, a in pairs),
    )
    result = clustered_ratio(sums)
    ratio = y.sum() / x.sum()
    assert result.estimate == ratio
    if result.std_error is not None:
        by_residuals = np.sqrt(m / (m - 1) * ((y - ratio * x) ** 2).sum()) / x.sum()
        np.testing.assert_allclose(result.std_error, by_residuals, rtol=1e-6)
    if result.limits_by is None:
        assert m == 1 or ratio > 1
        return
    assert result.lower is not None
    assert result.upper is not None
    assert 0 <= result.lower <= result.estimate <= result.upper
    assert result.lower < result.upper
    assert ratio >= 1 or result.upper <= 1
