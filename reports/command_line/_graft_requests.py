"""What may be asked of graft counts and donor records, and the figures that answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from registry.milestones import parse_mature_window
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
    if "window" in GRAFT_ANALYSES[analysis]:
        asked["window"] = parse_mature_window(options.window) if options.window else registry.settings.mature_window
    return asked, functions[analysis](registry, **asked)


def graft_cautions(analysis: str) -> list[str]:
    """What to bear in mind beside figures of graft counts."""
    from pipelines.graft_measures import GRAFT_CAUTION

    if analysis == DONOR:
        return [
            "Descriptive: no ceiling is stated, since nobody knows how much of one person's donor area may be taken. "
            "Those with a later session are other patients than those with one."
        ]
    return [GRAFT_CAUTION] if analysis in GRAFT_ANALYSES else []
