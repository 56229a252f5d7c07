"""What may be asked of graft counts and donor records, and the figures that answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from registry.durations import parse_time
from registry.errors import GraftledgerError
from registry.store import Registry

if TYPE_CHECKING:
    from pipelines import Figure

    from ._figure_requests import Options

SURVIVAL, MODEL, SELECTION = "graft-survival", "graft-survival-model", "graft-survival-selection"
AGREEMENT, GROWTH, DONOR = "count-agreement", "growth", "donor-use"
GRAFT_ANALYSES: Mapping[str, frozenset[str]] = {
    SURVIVAL: frozenset({"by_hairs", "window"}),
    MODEL: frozenset({"by_hairs", "window"}),
    SELECTION: frozenset({"by_hairs", "window"}),
    AGREEMENT: frozenset({"by_hairs"}),
    GROWTH: frozenset({"chart"}),
    DONOR: frozenset(),
}
"""The analyses of graft counts, with their options."""

Answer = tuple[dict[str, Any], "tuple[Figure, ...]"]


def graft_figures(registry: Registry, analysis: str, options: Options, shared: dict[str, Any]) -> Answer:
    """The arguments that the analysis was given, and its figures."""
    from pipelines import graft_survival, graft_yield

    functions: Mapping[str, Callable[..., tuple[Figure, ...]]] = {
        SURVIVAL: graft_survival,
        MODEL: graft_yield.graft_survival_model,
        SELECTION: graft_yield.graft_survival_selection,
        AGREEMENT: graft_yield.count_agreement,
        GROWTH: graft_yield.growth,
        DONOR: graft_yield.donor_use,
    }
    asked = dict(shared)
    if options.by_hairs:
        asked["by_hairs"] = True
    if options.window:
        asked["window"] = mature_window(options.window)
    return asked, functions[analysis](registry, **asked)


def mature_window(text: str) -> tuple[int, int]:
    """First and last day of a mature count.

    >>> mature_window("10m-18m")
    (304, 547)

    Raises: GraftledgerError where it is written otherwise.
    """
    first, dash, last = text.partition("-")
    if not dash:
        raise GraftledgerError(f"'{text}' is no window of mature counts. Write it FROM-TO, such as 10m-18m.")
    return parse_time(first), parse_time(last)


def graft_cautions(analysis: str) -> list[str]:
    """What to bear in mind beside figures of graft counts."""
    from pipelines.graft_measures import GRAFT_CAUTION

    if analysis == DONOR:
        return [
            "Descriptive: no ceiling is stated, since nobody knows how much of one person's donor area may be taken. "
            "Those with a later session are other patients than those with one."
        ]
    return [GRAFT_CAUTION] if analysis in GRAFT_ANALYSES else []
