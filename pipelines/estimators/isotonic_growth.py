"""A share that can only rise from step to step, from counts of patients at some of the steps."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from pipelines.estimators.clustered_ratio import RatioEstimate, RatioSums, clustered_ratio
from pipelines.estimators.errors import CountsError


@dataclass(frozen=True)
class GrowthStep:
    """One step. crude: what was counted at it. monotone: joined with steps before or after that contradict it.

    pooled: first and last step that the monotone value is joined from. n_rows, n_clusters: at this step alone.
    """

    step: int
    crude: RatioEstimate
    monotone: RatioEstimate
    pooled: tuple[int, int]
    n_rows: int
    n_clusters: int
    placed: int


def isotonic_growth(counts: pl.DataFrame, rises_until: int, level: float = 0.95) -> list[GrowthStep]:
    """Share growing at each step, made to rise up to `rises_until`; later steps stay as they were counted.

    Estimator: ratio of sums at each step (`clustered_ratio`), then isotonic least squares with what was placed as
    weight: neighbours that contradict the order are joined into one ratio, which is their weighted mean. Limits of a
    joined step are those of the joined ratio, each patient added up over the joined steps first.
    Assumes: the patients counted at one step are like those counted at another; different areas are counted at
    different steps, so the order may be broken, or made, by who came. Misleads at steps with few patients; and joining
    is decided by the data, so limits of joined steps are a little narrow.
    counts: patient, step (whole), growing, placed (above 0); one row a count. level: above 0, below 1.
    Returns the steps in order; none where there is no count.
    Raises: CountsError for a missing column or a placed of 0 or less. ValueError for level.
    Source: Barlow et al. 1972, Statistical Inference under Order Restrictions, chapter 1 (joining of violators).

    >>> rows = {"patient": [1, 2, 1, 2, 1, 2], "step": [2, 2, 4, 4, 6, 6], "growing": [1, 3, 6, 8, 6, 6]}
    >>> steps = isotonic_growth(pl.DataFrame(rows).with_columns(placed=10), rises_until=12)
    >>> [(step.step, step.crude.estimate, step.monotone.estimate, step.pooled) for step in steps]
    [(2, 0.2, 0.2, (2, 2)), (4, 0.7, 0.65, (4, 6)), (6, 0.6, 0.65, (4, 6))]
    """
    missing = {"patient", "step", "growing", "placed"} - set(counts.columns)
    if missing:
        raise CountsError(f"missing column {', '.join(sorted(missing))}")
    if (counts["placed"] <= 0).any():
        raise CountsError("placed must be above 0")
    by_step = (
        counts.group_by("step")
        .agg(pl.col("growing", "placed").sum(), pl.len(), pl.col("patient").n_unique())
        .sort("step")
    )
    blocks = _blocks(by_step.filter(pl.col("step") <= rises_until))
    blocks |= {step: (step, step) for step in by_step["step"].to_list() if step > rises_until}
    found = []
    for step, _, placed, rows, patients in by_step.iter_rows():
        first, last = blocks[step]
        crude = _ratio(counts.filter(pl.col("step") == step), level)
        joined = crude if first == last else _ratio(counts.filter(pl.col("step").is_between(first, last)), level)
        found.append(GrowthStep(step, crude, joined, (first, last), rows, patients, placed))
    return found


def _blocks(by_step: pl.DataFrame) -> dict[int, tuple[int, int]]:
    """First and last step of the block that each step is joined to."""
    from scipy.optimize import isotonic_regression

    if not len(by_step):
        return {}
    steps, placed = by_step["step"].to_list(), by_step["placed"].to_numpy().astype(float)
    shares = by_step["growing"].to_numpy() / placed
    edges = isotonic_regression(shares, weights=placed).blocks
    return {
        steps[place]: (steps[int(start)], steps[int(end) - 1])
        for start, end in pairwise(edges)
        for place in range(int(start), int(end))
    }


def _ratio(rows: pl.DataFrame, level: float) -> RatioEstimate:
    patients = rows.group_by("patient").agg(pl.col("growing", "placed").sum())
    y, x = (np.asarray(patients[column].to_numpy(), dtype=np.int64) for column in ("growing", "placed"))
    sums = RatioSums(len(patients), *(int(value) for value in (y.sum(), x.sum(), y @ y, x @ y, x @ x)))
    return clustered_ratio(sums, level)
