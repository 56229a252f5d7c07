"""Registries drawn from a known truth: the figures recover it, and their intervals hold it at the nominal rate.

The truth comes from latent histories that no analysis sees (`synthetic_data.model_truth`, a million independent
patients). Records go straight into the tables, past the intake. Fixed seeds; judged with their Monte-Carlo error.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

import numpy as np
import pytest

from pipelines import complications, graft_survival, time_to_next_session
from pipelines.figure import Figure
from registry.definition import RECORD_TYPES
from registry.store import Registry
from synthetic_data import SITES, SURGEONS, model_truth, simulate
from tests.small_registry import registry_in_memory

REGISTRIES = 24
PATIENTS = 20_000
MODEL_PATIENTS = 1_000_000

# Numbness is read at the contact nearest to month 6, up to a month to either side; the truth is of the due day. The
# share falls over those days along a curve, so the figure lies a little above: about 0.002 of 0.19.
CONTACTS_SCATTER = 0.004


def fill(registry: Registry, seed: int) -> None:
    frames = simulate(PATIENTS, seed).frames
    for record in RECORD_TYPES:
        registry.connection.execute(f"delete from {record.name}")
        registry.connection.register("incoming", frames[record.name])
        registry.connection.execute(f"insert into {record.name} by name select *, 1 as intake_id from incoming")
        registry.connection.unregister("incoming")


def named_figures(registry: Registry) -> Iterator[tuple[str, Figure]]:
    for by in ((), ("age_band",)):
        yield from (("next_session_here", f) for f in time_to_next_session(registry, estimand="here", by=by))
        yield from (("next_session_anywhere", f) for f in time_to_next_session(registry, estimand="anywhere", by=by))
        yield from ((f.measure, f) for f in complications(registry, by=by))
    for by in ((), ("technique",)):
        yield from ((f.measure, f) for f in graft_survival(registry, by=by) if f.measure == "graft_survival")


@pytest.mark.slow
def test_figures_recover_the_truth_at_the_nominal_rate() -> None:
    truth = {
        (q.measure, q.at, tuple(sorted(q.group.items()))): q.estimate
        for q in model_truth(patients=MODEL_PATIENTS, seed=987_654).quantities
    }
    held: dict[str, list[list[bool]]] = defaultdict(lambda: [[] for _ in range(REGISTRIES)])
    overall: dict[tuple[str, int | None], list[tuple[float, float]]] = defaultdict(list)
    with registry_in_memory(SITES, SURGEONS) as registry:
        for number in range(REGISTRIES):
            fill(registry, seed=7_000 + number)
            for measure, figure in named_figures(registry):
                true = truth.get((measure, figure.at, tuple(sorted(figure.group.items()))))
                if true is None or figure.flags:
                    continue
                assert figure.estimate is not None
                assert figure.lower is not None
                assert figure.upper is not None
                held[measure][number].append(figure.lower <= true <= figure.upper)
                if not figure.group:
                    overall[measure, figure.at].append((figure.estimate - true, figure.upper - figure.lower))

    assert {measure for measure, _ in overall} == {
        *("next_session_here", "next_session_anywhere", "severe_swelling", "bruised_eyes", "folliculitis"),
        *("infection", "numbness", "numbness_donor", "numbness_recipient", "graft_survival"),
    }
    for measure, registries in held.items():
        # figures of one registry go together, so the registry is the unit
        shares = np.array([np.mean(figures) for figures in registries])
        error = max(shares.std(ddof=1), 0.02) / np.sqrt(REGISTRIES)
        assert abs(shares.mean() - 0.95) < 4 * error + 0.01, (measure, shares.mean(), error)
    for (measure, at), pairs in overall.items():
        assert len(pairs) == REGISTRIES
        differences, widths = np.array(pairs).T
        allowed = CONTACTS_SCATTER if measure.startswith("numbness") else 0.15 * widths.mean()
        error = differences.std(ddof=1) / np.sqrt(REGISTRIES)
        assert abs(differences.mean()) < allowed + 4 * error, (measure, at, differences.mean(), error)
