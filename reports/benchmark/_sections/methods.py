"""What cannot be concluded, and how it was made."""

from __future__ import annotations

from pipelines.comparison.blinding import LEAST_PEERS
from pipelines.comparison.case_mix import EVENTS_A_COLUMN, LEAST_EVENTS
from pipelines.comparison.compare import LEAST_POOLED, PERIOD_YEARS
from pipelines.comparison.measures import NEXT_SESSION
from pipelines.comparison.storing import REFERENCE_YEARS
from pipelines.comparison.surveillance import RUN_LENGTH

from ... import wording
from ...layout import Section
from .._data import BenchmarkData


def cannot_conclude(data: BenchmarkData) -> Section:
    """What this surgeon cannot take from the page."""
    return Section("cannot", "What I cannot conclude", "cannot.html", {"pooled": data.pooled})


def methods(data: BenchmarkData) -> Section:
    """Estimators with their sources."""
    return Section(
        "methods",
        "How it was made",
        "methods.html",
        {
            "period_years": PERIOD_YEARS,
            "reference_years": REFERENCE_YEARS,
            "least_peers": LEAST_PEERS,
            "least_pooled": LEAST_POOLED,
            "least_events": LEAST_EVENTS,
            "a_column": EVENTS_A_COLUMN,
            "run_length": wording.whole(RUN_LENGTH),
            "floor": data.floor,
            "frozen": data.practice.frozen is not None,
            "next_frozen": NEXT_SESSION in data.practice.models,
        },
    )
