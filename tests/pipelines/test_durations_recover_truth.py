"""The durations of fictional clinics against the truth that made them: no bias, and limits that cover at their level.

Eight registries of 2,000 patients, loaded past the intake. As in `test_recovers_truth`: *realised*, of these very
patients, to which an estimate must be close; and of the *model*, at which limits aim. Expected values are *other
software*.

By technique, since only within one does observation tell nothing of the outcome: recent sessions have fewer strips and
less follow-up, so that a share over all techniques leans a little.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pytest

from pipelines import Figure, durations
from synthetic_data import SITES, SURGEONS, Truth, model_truth, simulate
from tests.small_registry import load_frames, registry_in_memory

pytestmark = pytest.mark.slow

PATIENTS, SEEDS, AT_DAYS = 2_000, range(401, 409), (182, 365)
AREAS = ("numbness_donor", "numbness_recipient")
ROUNDING = 0.03
"""Share of the true value by which it may be off: days are rounded to weeks, and month 12 is read on day 364."""

Key = tuple[str, int | None, tuple[tuple[str, str], ...]]


@dataclass(frozen=True)
class Reading:
    """One figure of one registry beside both truths."""

    seed: int
    estimate: float
    lower: float
    upper: float
    realised: float
    model: float


def find(truth: Truth, of: str, figure: Figure) -> float:
    return truth.find(of, at=figure.at, **figure.group).estimate


@pytest.fixture(scope="module")
def readings() -> dict[Key, list[Reading]]:
    expected = model_truth(patients=50_000, seed=78)
    found: dict[Key, list[Reading]] = defaultdict(list)
    with registry_in_memory(SITES, SURGEONS) as registry:
        for seed in SEEDS:
            simulated = simulate(PATIENTS, seed)
            load_frames(registry, simulated.frames)
            for of in AREAS:
                for figure in durations(registry, of=of, by=("technique",), at_days=AT_DAYS):
                    if figure.measure != f"{of}_still" or figure.group["technique"] == "combined":
                        continue
                    truths = find(simulated.truth, of, figure), find(expected, of, figure)
                    assert figure.estimate is not None
                    assert figure.lower is not None
                    assert figure.upper is not None
                    read = Reading(seed, figure.estimate, figure.lower, figure.upper, *truths)
                    found[of, figure.at, tuple(figure.group.items())].append(read)
    return found


def test_no_figure_is_biased(readings: dict[Key, list[Reading]]) -> None:
    """The mean distance from the realised truth lies within 3.5 of its Monte-Carlo errors and what rounding does."""
    assert len(readings) == len(AREAS) * 2 * len(AT_DAYS)
    biased = {}
    for key, of_key in readings.items():
        distance = float(np.mean([r.estimate - r.realised for r in of_key]))
        error = float(np.mean([r.upper - r.lower for r in of_key])) / (2 * 1.96 * len(of_key) ** 0.5)
        allowed = 3.5 * error + ROUNDING * of_key[0].model
        if abs(distance) > allowed:
            biased[key] = (distance, allowed)
    assert biased == {}


def test_limits_cover_at_their_level(readings: dict[Key, list[Reading]]) -> None:
    """Pooled coverage of the model's truth is 95 % within four Monte-Carlo errors, registries being independent."""
    by_seed: dict[int, list[bool]] = defaultdict(list)
    for of_key in readings.values():
        for r in of_key:
            by_seed[r.seed].append(r.lower <= r.model <= r.upper)
    shares = [float(np.mean(covered)) for covered in by_seed.values()]
    error = float(np.std(shares, ddof=1)) / len(shares) ** 0.5
    coverage = float(np.mean(shares))
    assert abs(coverage - 0.95) <= max(4 * error, 0.01), (coverage, error)
    assert coverage > 0.85
