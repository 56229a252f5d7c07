"""The share without a next session, from the exported gaps, against the registry's own figures.

Expected: *other software*, the registry's own estimator, which reads counts by day and not these files. The sums here
are written out by hand.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipelines import durations, time_to_next_session
from pipelines.exports import Exported, Level
from pipelines.groups import choose
from registry import open_registry

DAYS = (365, 730, 1826)


def kaplan_meier(gaps: pl.DataFrame, day: int) -> tuple[float, int, int, int]:
    """Share with the event by a day, how many are counted, have it by then, and are followed past it."""
    survival = 1.0
    events = gaps.filter(pl.col("event") & (pl.col("stop") <= day))
    for at in events.get_column("stop").unique().sort():
        at_risk = gaps.filter(((pl.col("start") < at) | (pl.col("start") == 0)) & (pl.col("stop") >= at)).height
        survival *= 1.0 - events.filter(pl.col("stop") == at).height / at_risk
    after = gaps.filter((pl.col("stop") > day) & (pl.col("start") <= day)).height
    return 1.0 - survival, gaps.height, events.height, after


@pytest.fixture(params=[Level.INTERNAL, Level.LIMITED, Level.ANONYMOUS])
def exported(request: pytest.FixtureRequest, exports: dict[Level, Exported]) -> Exported:
    return exports[request.param]


def test_the_same_figures(exported: Exported, clinics: Path) -> None:
    whole = pl.read_csv(exported.folder / "data" / "gaps.csv", infer_schema_length=None)
    gaps = whole.filter((pl.col("gap_number") == 1) & (pl.col("first_operated_here") == 1)).with_columns(
        pl.col("event").cast(pl.Boolean)
    )
    with open_registry(clinics) as registry:
        consenting = choose(registry.settings, {"consent_scope": ["audit_and_research"]})
        figures = time_to_next_session(registry, by=(), at_days=DAYS, chosen=consenting)
    for figure, day in zip(figures, DAYS, strict=True):
        share, n, events, _ = kaplan_meier(gaps, day)
        assert figure.estimate is not None
        if exported.level is Level.ANONYMOUS:  # days are rounded and patients left out: close, not the same
            assert n < (figure.n or 0)
            assert share == pytest.approx(figure.estimate, abs=0.03)
            continue
        assert (n, events) == (figure.n, figure.events)
        assert share == pytest.approx(figure.estimate, abs=1e-12)  # rounding of the product alone


def test_the_time_to_event_table_says_the_same_as_the_gaps(exported: Exported) -> None:
    data = exported.folder / "data"
    gaps = pl.read_csv(data / "gaps.csv", infer_schema_length=None).filter(
        (pl.col("gap_number") == 1) & (pl.col("first_operated_here") == 1)
    )
    table = pl.read_csv(data / "adtte.csv", infer_schema_length=None)
    joined = table.join(gaps, left_on="USUBJID", right_on="patient_key", how="inner")
    assert joined.height == table.height == gaps.height
    assert (joined.get_column("AVAL") == joined.get_column("stop")).all()
    assert ((joined.get_column("CNSR") == 0) == (joined.get_column("event") == 1)).all()
    assert set(table.get_column("PARAMCD")) == {"NXTSESS"}


def test_intervals_are_those_that_the_figures_rest_on(exports: dict[Level, Exported], clinics: Path) -> None:
    table = pl.read_csv(exports[Level.LIMITED].folder / "data" / "durations.csv", infer_schema_length=None)
    with open_registry(clinics) as registry:
        consenting = choose(registry.settings, {"consent_scope": ["audit_and_research"]})
        figure = durations(registry, of="numbness-donor", at_days=(365,), chosen=consenting)[0]
    own = table.filter(pl.col("measure") == "numbness_donor")
    asked = 364  # the day on the grid of weeks
    assert figure.n == own.height
    assert figure.events == own.filter(pl.col("right_day") <= asked).height
