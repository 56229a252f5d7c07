"""Every figure of an audit, asked for once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from hashlib import sha256
from typing import Any

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
from pipelines.agreed_actions import agreed_actions
from pipelines.audit_changes import audit_changes
from pipelines.comparison.reviews import outlier_reviews
from pipelines.expectations import FILE, Statement, judge_all, load_statements
from pipelines.follow_up import quarter_contacts, visits_due_counts
from pipelines.graft_measures import BELOW_80, BELOW_90, SESSIONS_COUNTED, YIELD_ALL_GREW, YIELD_NONE_GREW
from pipelines.intake_summary import held_back_counts, intake_counts, intake_summary
from pipelines.measures import FOLLOW_UP_COMPLETENESS, GRAFT_SURVIVAL, GRAFT_SURVIVAL_CAPPED
from pipelines.missing_fields import missing_fields
from pipelines.next_session import next_session_follow_up
from pipelines.numbered_records import numbered_records
from pipelines.process_measures import process_by_span
from pipelines.quarter_activity import quarter_activity
from pipelines.ratings_and_scars import ratings_and_scars
from pipelines.recent_outcomes import recent_outcomes
from pipelines.serious_complications import serious_complications
from pipelines.shared_tables import held_memory, sharing
from pipelines.site_declarations import complete_to_by_site
from registry import Fault, GraftledgerError, Registry, durations
from registry.reports import shown_intake_id

from .. import wording
from ._comments import Comments
from ._comparison import compared_surgeons
from ._data import YEARS, AuditData, Told
from ._definitions import measure_definitions
from ._quarter import Quarter

_CURVE_DAYS = tuple(durations.months(month) for month in range(12 * YEARS[-1] + 1))
"""Curves are read at the end of each month: finer than a printed line, and the marked years are among them."""


_COMPLETE_AT = (durations.years(1), durations.years(5))
"""Clark's index within one year, and within five."""


def gather(
    registry: Registry,
    quarter: Quarter,
    *,
    on: date | None = None,
    comments: Comments | None = None,
    previous: Mapping[str, Any] | None = None,
) -> AuditData:
    """Figures as of the quarter's last day.

    on: the day that deadlines of actions are held against; the quarter's last day if left out.
    comments: of the director. previous: the content of `figures.json` of an earlier audit, to tell what changed.

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
    actions, reviews = agreed_actions(registry), tuple(outlier_reviews(registry))
    statements, own_statements = _statements(registry)
    with held_memory(registry.connection):  # it reads more than the records
        compared = compared_surgeons(registry, quarter)
    with sharing(registry), numbered_records(registry):  # in this order: the numbers too are made in held memory
        survival = graft_survival(registry, as_of=as_of)
        spans = tuple(each.span for each in (quarter, quarter.before, quarter.year_before))
        several = len(registry.settings.sites) > 1
        # what asks for the same sessions, one after another
        told_now = judge_all(registry, statements, as_of=as_of)
        overall = complications(registry, as_of=as_of)
        contacts, contacts_in_quarter, contacts_by_site = quarter_contacts(
            registry, quarter.first_on, as_of, by=by_site if several else ()
        )
        data = AuditData(
            settings=registry.settings,
            quarter=quarter,
            data_date=data_date,
            complete_to=complete_to,
            meta=figure_meta(
                registry,
                report="audit",
                quarter=str(quarter),
                as_of=as_of.isoformat(),
                intake=shown_intake_id(registry),
                agreed=_digest((actions, reviews, on or as_of)),
                definitions=measure_definitions(registry.settings.mature_window),
                expectations=_digest(statements),
            ),
            summary=data_summary(registry, as_of=as_of, quarter=str(quarter)),
            here=_curves(registry, "here", as_of),
            anywhere=_curves(registry, "anywhere", as_of),
            complications=overall,
            complications_by_site=complications(registry, by=by_site, as_of=as_of) if several else (),
            survival=_of(GRAFT_SURVIVAL, survival),
            survival_by_site=_of(GRAFT_SURVIVAL, graft_survival(registry, by=by_site, as_of=as_of)) if several else (),
            survival_by_technique=_of(GRAFT_SURVIVAL, graft_survival(registry, by=("technique",), as_of=as_of)),
            survival_capped=_of(GRAFT_SURVIVAL_CAPPED, survival),
            survival_around=_around(registry, quarter),
            ratings=ratings_and_scars(registry, as_of=as_of),
            intake=intake_summary(registry),
            intakes=intake_counts(registry),
            held_back=held_back_counts(registry),
            activity=quarter_activity(registry, spans, as_of=as_of),
            recent=recent_outcomes(registry, spans, as_of=as_of),
            growth=growth(registry, as_of=as_of),
            contacts=contacts,
            contacts_in_quarter=contacts_in_quarter,
            contacts_by_site=contacts_by_site,
            follow_up=tuple(
                figure
                for figure in next_session_follow_up(
                    registry,
                    estimand="anywhere",
                    by=by_site if several else (),
                    with_all=True,
                    at_days=_COMPLETE_AT,
                    as_of=as_of,
                )
                if figure.measure == FOLLOW_UP_COMPLETENESS
            ),
            due=visits_due_counts(registry, on=as_of),
            process=process_by_span(registry, spans, as_of=as_of),
            missing=missing_fields(registry, quarter.first_on, as_of),
            serious=serious_complications(registry, quarter.first_on, as_of),
            told=Told(
                told_now,
                judge_all(registry, statements, as_of=quarter.year_before.last_on),
                quarter.year_before.last_on,
                own_statements,
            ),
            actions=actions,
            reviews=reviews,
            on=on or as_of,
            compared=compared,
            comments=comments or Comments(),
        )
    return replace(data, changes=audit_changes(previous, data.meta, data.figures)) if previous else data


def _curves(registry: Registry, estimand: str, as_of: date) -> tuple[Figure, ...]:
    """Of everybody, then by age at the first surgery."""
    return time_to_next_session(
        registry, estimand=estimand, by=("age_band",), with_all=True, at_days=_CURVE_DAYS, as_of=as_of
    )


def _digest(content: object) -> str:
    """What is agreed, under review or said to patients is no record of a patient, so the snapshot does not tell of
    it."""
    return sha256(repr(content).encode()).hexdigest()[:16]


def _statements(registry: Registry) -> tuple[tuple[Statement, ...], bool]:
    """What patients are told, and whether it is the practice's own list."""
    own = registry.folder / FILE
    return load_statements(own if own.exists() else None), own.exists()


def _around(registry: Registry, quarter: Quarter) -> tuple[Figure, ...]:
    """How many patients yield little, how many sessions were counted, and what those not counted could change."""
    model = graft_survival_model(registry, as_of=quarter.last_on)
    selection = graft_survival_selection(registry, as_of=quarter.last_on)
    shown = (BELOW_80, BELOW_90, SESSIONS_COUNTED, YIELD_NONE_GREW, YIELD_ALL_GREW)
    return tuple(figure for figure in (*model, *selection) if figure.measure in shown and not figure.group)


def _of(measure: str, figures: tuple[Figure, ...]) -> tuple[Figure, ...]:
    return tuple(figure for figure in figures if figure.measure == measure)
