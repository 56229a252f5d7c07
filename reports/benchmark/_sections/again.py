"""Sessions whose notes are worth pulling."""

from __future__ import annotations

from pipelines.comparison.measures import COMPARED
from pipelines.comparison.profile import FEWER_GREW

from ... import wording
from ...layout import Section
from .._data import BenchmarkData
from .._words import lowered

MOST_KEYS = 20


def again(data: BenchmarkData) -> Section:
    """The keys, by measure, the latest first."""
    return Section(
        "again",
        "Cases worth looking at again",
        "again.html",
        {
            "groups": [
                {
                    "name": COMPARED[name].label,
                    "keys": [case.session_key for case in found[:MOST_KEYS]],
                    "more": wording.counted(len(found) - MOST_KEYS, "more", "more") if len(found) > MOST_KEYS else "",
                }
                for name, found in data.again.items()
                if found
            ],
            "none": wording.listed([lowered(COMPARED[name].label) for name, found in data.again.items() if not found]),
            "fewer": f"{FEWER_GREW * 100:.0f}",
        },
    )
