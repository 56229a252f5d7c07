"""Every figure of an audit, asked for once."""

from __future__ import annotations

from pipelines import (
    Figure,
    complications,
    data_summary,
    figure_meta,
    graft_survival,
    graft_survival_model,
    graft_survival_selection,
    growth,
    time_to_next_session,
)
from pipelines.graft_measures import BELOW_80, BELOW_90, SESSIONS_COUNTED, YIELD_ALL_GREW, YIELD_NONE_GREW
from pipelines.intake_summary import held_back_counts, intake_counts, intake_summary
from pipelines.measures import GRAFT_SURVIVAL, GRAFT_SURVIVAL_CAPPED
from pipelines.site_declarations import complete_to_by_site
from registry import Fault, GraftledgerError, Registry, durations

from .. import wording
from ._data import YEARS, AuditData
from ._quarter import Quarter

_CURVE_DAYS = tuple(durations.months(month) for month in range(12 * YEARS[-1] + 1))
"""Curves are read at the end of each month: finer than a printed line, and the marked years are among them."""


def gather(registry: Registry, quarter: Quarter) -> AuditData:
    """Figures as of the quarter's last day.

    Raises: GraftledgerError where no site has declared complete records, or the quarter lies after the data.
    """
    complete_to = complete_to_by_site(registry)
    data_date = max((day for day in complete_to.values() if day is not None), default=None)
    if data_date is None:
        raise GraftledgerError(
            Fault(
                "no site has declared up to when its records are complete, so no figure has a denominator.",
                mend="Take in a site_period file (graftledger templates writes an empty one), then ask again.",
            )
        )
    if quarter.first_on > data_date:
        raise GraftledgerError(
            Fault(
                f"{quarter} lies after the data: records are complete to {wording.date_words(data_date)}.",
                mend="Choose an earlier quarter, or take in the records of this one first.",
            )
        )
    as_of, by_site = quarter.last_on, ("site_code",)
    survival = graft_survival(registry, as_of=as_of)
    return AuditData(
        settings=registry.settings,
        quarter=quarter,
        data_date=data_date,
        complete_to=complete_to,
        meta=figure_meta(registry, report="audit", quarter=str(quarter), as_of=as_of.isoformat()),
        summary=data_summary(registry, as_of=as_of, quarter=str(quarter)),
        here=tuple(
            figure
            for by in ((), ("age_band",))
            for figure in time_to_next_session(registry, estimand="here", by=by, at_days=_CURVE_DAYS, as_of=as_of)
        ),
        anywhere=tuple(
            figure
            for by in ((), ("age_band",))
            for figure in time_to_next_session(registry, estimand="anywhere", by=by, at_days=_CURVE_DAYS, as_of=as_of)
        ),
        complications=complications(registry, as_of=as_of),
        complications_by_site=complications(registry, by=by_site, as_of=as_of)
        if len(registry.settings.sites) > 1
        else (),
        survival=_of(GRAFT_SURVIVAL, survival),
        survival_by_site=_of(GRAFT_SURVIVAL, graft_survival(registry, by=by_site, as_of=as_of))
        if len(registry.settings.sites) > 1
        else (),
        survival_by_technique=_of(GRAFT_SURVIVAL, graft_survival(registry, by=("technique",), as_of=as_of)),
        survival_capped=_of(GRAFT_SURVIVAL_CAPPED, survival),
        survival_around=_around(registry, quarter),
        growth=growth(registry, as_of=as_of),
        intake=intake_summary(registry),
        intakes=intake_counts(registry),
        held_back=held_back_counts(registry),
    )


def _around(registry: Registry, quarter: Quarter) -> tuple[Figure, ...]:
    """How many patients yield little, how many sessions were counted, and what those not counted could change."""
    model = graft_survival_model(registry, as_of=quarter.last_on)
    selection = graft_survival_selection(registry, as_of=quarter.last_on)
    shown = (BELOW_80, BELOW_90, SESSIONS_COUNTED, YIELD_NONE_GREW, YIELD_ALL_GREW)
    return tuple(figure for figure in (*model, *selection) if figure.measure in shown and not figure.group)


def _of(measure: str, figures: tuple[Figure, ...]) -> tuple[Figure, ...]:
    return tuple(figure for figure in figures if figure.measure == measure)
