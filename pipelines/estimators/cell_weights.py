"""A share in which those assessed stand in for those missing of the same cell: weights by cells."""

from collections.abc import Sequence
from dataclasses import dataclass

from pipelines.estimators.errors import CountsError
from pipelines.estimators.limits import checked_level
from pipelines.estimators.proportion import wilson_limits


@dataclass(frozen=True)
class Cell:
    """Those alike in what the model of being assessed looks at. 0 <= events <= assessed <= due."""

    name: str
    due: int
    assessed: int
    events: int


@dataclass(frozen=True)
class WeightedShare:
    """A weighted share (0-1) with limits. lightest, heaviest: weights, at least 1. effective_share: of those assessed.

    unreached: due in cells of which nobody was assessed, even put together; nobody stands in for them.
    """

    estimate: float
    lower: float
    upper: float
    lightest: float
    heaviest: float
    effective_share: float
    unreached: int


def cell_weighted_share(
    cells: Sequence[Cell], smallest: int, level: float = 0.95, design_effect: float = 1.0
) -> WeightedShare | None:
    """Share in which everybody assessed counts due / assessed of their cell, the inverse of the chance to be assessed.

    Estimator: sum over cells of due x events / assessed, over all due (Horvitz and Thompson's, with the chance
    estimated by cell). Cells with fewer than `smallest` due, or nobody assessed, are put together; where they hold
    nobody assessed even so, they are left out and told in `unreached`. Effective number (Kish): (sum w) ** 2 / sum w
    ** 2, over design_effect. Limits: Wilson's on it, the weights taken as known: rather wide where cells explain the
    events.
    Assumes: within a cell, being assessed has nothing to do with the event. Misleads where it has, and nothing warns of
    it: who stays away because all is well looks like anybody of the cell.
    level: above 0, below 1. design_effect: at least 1, for several sessions a patient. Returns None where nobody was
    assessed. Raises: CountsError for counts out of order; ValueError for level.
    Source: Horvitz & Thompson 1952, JASA 47:663-685; Little & Rubin 2002, Statistical Analysis with Missing Data, 2nd
    ed., section 3.3 (weighting classes); Kish 1965, Survey Sampling, section 11.7.

    >>> share = cell_weighted_share([Cell("young", 200, 100, 10), Cell("old", 200, 50, 20)], 50)
    >>> round(share.estimate, 4), share.lightest, share.heaviest  # (200 x 0.1 + 200 x 0.4) / 400
    (0.25, 2.0, 4.0)
    """
    checked_level(level)
    for cell in cells:
        if not 0 <= cell.events <= cell.assessed <= cell.due:
            raise CountsError(f"cell {cell.name}: events, assessed and due must not decrease in this order")
    large = [cell for cell in cells if cell.due >= smallest and cell.assessed]
    small = [cell for cell in cells if cell not in large]
    pooled = Cell(
        "small cells",
        sum(cell.due for cell in small),
        sum(cell.assessed for cell in small),
        sum(cell.events for cell in small),
    )
    used = [*large, *([pooled] if pooled.assessed else [])]
    if not used:
        return None
    weights = [cell.due / cell.assessed for cell in used]
    due = sum(cell.due for cell in used)
    assessed = sum(cell.assessed for cell in used)
    estimate = sum(weight * cell.events for weight, cell in zip(weights, used, strict=True)) / due
    effective = due**2 / sum(weight**2 * cell.assessed for weight, cell in zip(weights, used, strict=True))
    number = effective / design_effect
    lower, upper = wilson_limits(estimate * number, number, level)
    unreached = 0 if pooled.assessed else pooled.due
    return WeightedShare(estimate, lower, upper, min(weights), max(weights), min(1.0, effective / assessed), unreached)
