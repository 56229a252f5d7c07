"""Loss to follow-up: bounds by hand, completeness, and weights that mend what was measured and nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines import Figure, time_to_next_session
from pipelines.next_session import next_session_follow_up, next_session_sensitivity
from registry.definition import RECORD_TYPES
from registry.store import Registry
from tests.pipelines.next_session.records import FOLLOWED, patient, session, visit
from tests.small_registry import START, Row, key, registry_in_memory, small_registry

YEAR = 365.25


def by_measure(figures: tuple[Figure, ...]) -> dict[str, Figure]:
    return {figure.measure: figure for figure in figures}


RECORDS: dict[str, list[Row]] = {
    "patient": [patient(name) for name in "abcd"],
    "session": [*(session(name) for name in "abcd"), session("a", 2, 600)],
    "visit": [visit("b", 400, "no"), visit("c", 300, "yes"), visit("d", 3652, "no")],
}


def test_bounds_by_hand(empty_registry: Path) -> None:
    """*By hand*: a has one here on day 600; c had one elsewhere by day 150 (middle of 0 and 300); d is seen to the end;
    b is lost on day 400.

    None of the lost: 2 of 4. Each the next day: 3 of 4. To the last contact: 1 - 3/4 x 1/2, of a and d.
    """
    with small_registry(empty_registry, **RECORDS) as registry:
        found = by_measure(next_session_sensitivity(registry, at_days=[1000]))
    assert found["next_session_if_lost_had_none"].estimate == pytest.approx(2 / 4)
    assert found["next_session_if_lost_had_one"].estimate == pytest.approx(3 / 4)
    assert found["next_session_if_ended_at_last_contact"].estimate == pytest.approx(1 - 3 / 4 * 1 / 2)


def test_who_was_never_in_contact_is_lost_from_the_start(empty_registry: Path) -> None:
    records = {"patient": [patient("a"), patient("b")], "session": [session("a"), session("b")]}
    with small_registry(empty_registry, **records) as registry:
        found = by_measure(next_session_sensitivity(registry, at_days=[1]))
    assert found["next_session_if_lost_had_one"].estimate == 1.0
    assert found["next_session_if_lost_had_none"].estimate == 0.0
    assert found["next_session_if_ended_at_last_contact"].estimate is None


def test_completeness_and_median_by_hand(empty_registry: Path) -> None:
    """*By hand*, within 1000 days: a seen 600 of 600, b 400 of 1000, c 150 of 150, d 1000 of 1000."""
    with small_registry(empty_registry, **RECORDS) as registry:
        found = by_measure(next_session_follow_up(registry, estimand="anywhere", at_days=[1000]))
        (here,) = next_session_follow_up(registry, at_days=[1000])
    complete = found["follow_up_completeness"]
    assert complete.estimate == pytest.approx(2150 / 2750)
    assert (complete.n, complete.events) == (4, 3)
    assert here.estimate == FOLLOWED  # everybody without a session here is seen to the end of the records


def lost(seed: int, *, by_event: bool) -> tuple[dict[str, pl.DataFrame], float]:
    """Records of 6,000 patients, half of them young, asked every 90 days about surgery elsewhere; the truth at 5 years.

    The young have more sessions and stop coming sooner. by_event: instead, everyone keeps coming but those who went
    elsewhere, of whom 70 % never come back.
    """
    rng, people = np.random.default_rng(seed), 6000
    young = np.arange(people) % 2 == 0
    event = rng.exponential(YEAR / np.where(young, 0.25, 0.05))
    leaves = rng.exponential(YEAR / np.where(young, 0.5, 0.05))
    if by_event:
        leaves = np.where((rng.random(people) < 0.7) & (event < FOLLOWED), event, FOLLOWED)
    names = pl.Series([key(f"p{number}") for number in range(people)])
    day = pl.lit(START) + pl.duration(days=pl.col("day"))
    visits = (
        pl.DataFrame({"session_key": names, "event": event, "leaves": leaves})
        .join(pl.DataFrame({"day": range(90, FOLLOWED, 90)}), how="cross")
        .filter(pl.col("day") <= pl.col("leaves"))
        .with_columns(answer=pl.when(pl.col("event") <= pl.col("day")).then(pl.lit("yes")).otherwise(pl.lit("no")))
        .with_row_index("number")
        .select(
            "session_key",
            visit_key=pl.format("visit{}____________", pl.col("number")),
            visited_on=day.cast(pl.Date),
            contact_mode=pl.lit("phone"),
            visit_reason=pl.lit("scheduled"),
            surgery_elsewhere_since="answer",
        )
    )
    frames = {
        "patient": pl.DataFrame(
            {
                "patient_key": names,
                "site_code": "A",
                "enrolled_on": START,
                "age_at_first_surgery_years": np.where(young, 25, 50),
                "last_contact_on": START,
                "last_contact_reason": "session",
                "status_at_last_contact": "in_follow_up",
            }
        ),
        "session": pl.DataFrame(
            {
                "session_key": names,
                "patient_key": names,
                "site_code": "A",
                "surgeon_code": "S1",
                "session_number": 1,
                "performed_on": START,
                "session_reason": "first_restoration",
                "technique": "strip",
            }
        ),
        "visit": visits,
        "site_period": pl.DataFrame(
            {"site_code": ["A"], "quarter": ["2020-Q1"], "records_complete_to": [START.replace(year=2020)]}
        ),
    }
    truth = 1 - (np.exp(-5 * 0.25) + np.exp(-5 * 0.05)) / 2
    return frames, float(truth)


def fill(registry: Registry, frames: dict[str, pl.DataFrame]) -> None:
    for record in RECORD_TYPES:
        if record.name in frames:
            registry.connection.register("incoming", frames[record.name])
            registry.connection.execute(f"insert into {record.name} by name select *, 1 as intake_id from incoming")
            registry.connection.unregister("incoming")


@pytest.mark.slow
def test_weights_remove_bias_that_was_measured() -> None:
    """Young people go elsewhere more often and are lost sooner: the unweighted share is too low, the weighted right."""
    frames, truth = lost(20261128, by_event=False)
    with registry_in_memory() as registry:
        fill(registry, frames)
        (plain,) = time_to_next_session(registry, by=(), estimand="anywhere", at_days=[1826])
        found = by_measure(next_session_sensitivity(registry, at_days=[1826]))
    weighted = found["next_session_anywhere_contact_weighted"]
    assert plain.estimate is not None
    assert plain.upper is not None
    assert weighted.estimate is not None
    assert plain.upper < truth - 0.05
    # over eight seeds: mean 0.467 (truth 0.467, unweighted 0.359), standard deviation 0.010; three of these
    assert weighted.estimate == pytest.approx(truth, abs=0.03)
    heaviest, effective = found["heaviest_contact_weight"].estimate, found["effective_share_of_contacts"].estimate
    assert heaviest is not None
    assert effective is not None
    assert heaviest > 5
    assert effective < 0.8
    lower = found["next_session_if_lost_had_none"].estimate
    upper = found["next_session_if_lost_had_one"].estimate
    assert lower is not None
    assert upper is not None
    assert lower < truth < upper


@pytest.mark.slow
def test_weights_cannot_mend_loss_that_depends_on_the_session_itself() -> None:
    """Those who went elsewhere do not come back: weighted as unweighted far too low, and only the bounds tell."""
    frames, truth = lost(20261129, by_event=True)
    with registry_in_memory() as registry:
        fill(registry, frames)
        (plain,) = time_to_next_session(registry, by=(), estimand="anywhere", at_days=[1826])
        found = by_measure(next_session_sensitivity(registry, at_days=[1826]))
    weighted = found["next_session_anywhere_contact_weighted"]
    assert plain.estimate is not None
    assert weighted.estimate is not None
    assert weighted.upper is not None
    assert weighted.upper < truth - 0.1
    assert abs(weighted.estimate - plain.estimate) < 0.05
    upper = found["next_session_if_lost_had_one"]
    assert upper.upper is not None
    assert upper.upper > truth - 0.02
