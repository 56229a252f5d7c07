"""The same covariates in forms that use every session, or count death."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from ..regression.cox import CoxFit
from ..regression.fine_gray import fit_fine_gray
from . import design
from .fitting import fit_levels_with_events
from .measures import DEATH_COMPETING, GAP_TIME, TOTAL_TIME
from .preparing import Used

_MOST_NUMBERS = 3
"""Sessions of this number and later share a stratum."""


def recurrent_fits(first: pl.DataFrame, every: pl.DataFrame, used: Sequence[Used]) -> dict[str, CoxFit | None]:
    """Complete cases in three further forms; None where a form cannot be fitted.

    recurrent_gap_time: the clock starts anew at each session, and each number of session has its own baseline
    (Prentice, Williams & Peterson): what goes with the next session, given the number had. Whoever reaches a later
    session is a chosen few, and a short gap before may go with a short one after.
    recurrent_total_time: one clock from the first session (Andersen & Gill): what goes with the rate of all sessions
    together, as if those before did not matter. Errors of both by patient.
    death_competing: from the first session, the share with a next session before death (Fine & Gray), where nobody
    enters late.
    first, every: spells from the first session, and from every session, without the levels left out.
    Source: Prentice, Williams & Peterson 1981, Biometrika 68:373-379; Andersen & Gill 1982, Ann Stat 10:1100-1120;
    Fine & Gray 1999, JASA 94:496-509.
    """
    # someone who had no time at risk after a later session adds nothing on the clock of the first
    moved = every.filter((pl.col("start_day") == 0) | (pl.col("exit_day") > pl.col("entry_day")))
    return {
        GAP_TIME: _fit(every, used, by_number=True),
        TOTAL_TIME: _fit(moved, used, total_time=True),
        DEATH_COMPETING: _fit(first.filter(pl.col("entry_day") == 0), used, death=True),
    }


def _fit(
    rows: pl.DataFrame, used: Sequence[Used], *, by_number: bool = False, total_time: bool = False, death: bool = False
) -> CoxFit | None:
    found = design.variables(rows, used)
    known = ~np.any([np.isnan(variable.values) for variable in found], axis=0)
    rows = rows.filter(pl.Series(known))
    if not len(rows):
        return None
    x, names, _ = design.matrix({each.name: each.values[known] for each in found}, used)
    stratum = design.sites(rows)
    if by_number:
        stratum = stratum * _MOST_NUMBERS + np.minimum(rows["number_here"].to_numpy(), _MOST_NUMBERS) - 1
    spells = design.spells(rows, x, names, stratum, total_time=total_time)
    if not death:
        return fit_levels_with_events(spells)
    died = np.zeros(int(spells.cluster.max()) + 1, dtype=bool)  # one spell a patient
    died[spells.cluster] = rows["had_died"].fill_null(False).to_numpy()
    return fit_levels_with_events(spells, lambda part: fit_fine_gray(part, died[part.cluster]))
