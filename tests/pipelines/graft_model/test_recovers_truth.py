"""The model against the fictional clinics' own truth: what lowers yield there is found, and what does not is not.

Expected values are *other software*: the synthetic data share no code with the analyses.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.graft_model import GraftModel, graft_model
from pipelines.graft_model.measures import IMPUTED, ODDS_RATIO
from synthetic_data import SITES, SURGEONS, simulate
from synthetic_data.model import Model
from tests.small_registry import load_frames, registry_in_memory

pytestmark = pytest.mark.slow

BEND, NO_EFFECT = 45.0, ("zone", "smoking", "hair_curl", "hair_calibre_um", "method")


@pytest.fixture(scope="module")
def model() -> GraftModel:
    with registry_in_memory(SITES, SURGEONS) as registry:
        load_frames(registry, simulate(12_000, 401).frames)
        return graft_model(registry, sets=3)


def test_the_bend_in_density(model: GraftModel) -> None:
    """The clinics' log odds are flat up to 45 grafts per cm2 and fall by 0.05 a graft above."""
    bend = model.bend
    assert bend is not None
    assert bend.found
    assert bend.lower <= BEND <= bend.upper
    assert bend.above[1] <= Model().graft_log_odds_per_density_above_45 <= bend.above[2]


def test_time_out_of_the_body(model: GraftModel) -> None:
    """Log odds fall by 0.15 an hour beyond two hours: the 95th percentile against the 5th."""
    (ratio,) = model.of(ODDS_RATIO, analysis=IMPUTED, covariate="out_of_body_minutes")
    hours = max(float(ratio.group["level"]) - 120, 0) / 60
    assert ratio.lower is not None
    assert ratio.upper is not None
    assert ratio.lower <= np.exp(Model().graft_log_odds_per_out_of_body_hour * hours) <= ratio.upper


def test_what_has_no_effect_is_told_apart_no_more_often_than_by_chance(model: GraftModel) -> None:
    """Some dozen ratios with a true value of 1: at most two intervals leave it out (one in a hundred times more do)."""
    figures = [figure for name in NO_EFFECT for figure in model.of(ODDS_RATIO, analysis=IMPUTED, covariate=name)]
    outside = [figure for figure in figures if figure.lower and figure.upper and not figure.lower <= 1 <= figure.upper]
    assert len(figures) >= 10
    assert len(outside) <= 2
