"""What a Cox regression is fitted to: spells, each with its covariates."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .errors import ModelError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Spells:
    """n spells, each at risk over (entry, exit].

    x: (n, p) covariates. names: p column names. entry: (n,) last day not at risk; minus infinity where at risk from
    the origin, so that an event on day 0 counts. exit: (n,) day of the event or of the end of observation.
    event: (n,) whether it ended in the event. stratum: (n,) whole numbers; spells are compared within a stratum only.
    cluster: (n,) whose spell it is; the spells of one patient need not be independent. weight: (n,) above 0.
    Raises: ModelError where lengths differ, a number is not finite, or a spell does not end after its entry.
    """

    x: Floats
    names: tuple[str, ...]
    entry: Floats
    exit: Floats
    event: Bools
    stratum: Ints
    cluster: Ints
    weight: Floats = field(default_factory=lambda: np.ones(0))

    def __post_init__(self) -> None:
        n = len(self.exit)
        if not self.weight.size:
            object.__setattr__(self, "weight", np.ones(n))
        lengths = {len(part) for part in (self.x, self.entry, self.event, self.stratum, self.cluster, self.weight)}
        if lengths != {n} or self.x.ndim != 2 or self.x.shape[1] != len(self.names):
            raise ModelError("the columns of the spells have different lengths")
        if not (np.isfinite(self.x).all() and np.isfinite(self.exit).all() and np.isfinite(self.weight).all()):
            raise ModelError("a covariate, a day or a weight is missing or not finite")
        if not (self.entry < self.exit).all():
            raise ModelError("a spell does not end after its entry")
        if not (self.weight > 0).all():
            raise ModelError("a weight is not above 0")

    @property
    def size(self) -> int:
        """Number of spells."""
        return len(self.exit)

    def taken(self, rows: Bools | Ints) -> Spells:
        """Some of the spells."""
        return Spells(
            self.x[rows],
            self.names,
            self.entry[rows],
            self.exit[rows],
            self.event[rows],
            self.stratum[rows],
            self.cluster[rows],
            self.weight[rows],
        )

    def with_x(self, x: Floats, names: tuple[str, ...]) -> Spells:
        """The same spells with other covariates."""
        return Spells(x, names, self.entry, self.exit, self.event, self.stratum, self.cluster, self.weight)
