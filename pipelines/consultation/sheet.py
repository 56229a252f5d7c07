"""The figures for the next consultation: what happened to past patients like the one who is there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache

from registry.durations import months, years
from registry.store import Registry

from .._queries import SESSION_HERE, rows
from ..complication_incidence import complication_incidence
from ..complication_kinds import ANY, MODERATE, ComplicationMeasure, Window
from ..complications import complications
from ..figure import Figure
from ..graft_measures import BELOW_80
from ..graft_survival import graft_survival
from ..graft_yield import graft_survival_model
from ..groups import Chosen, shared_texts, shared_values
from ..healing_durations import durations
from ..measures import DEATH_BEFORE_NEXT_SESSION, GRAFT_SURVIVAL, SESSION_LENGTH, SUTURES_OUT
from ..next_session import next_session_causes, next_session_follow_up
from .matching import Match, Profile, matches

ENOUGH = 50
ENOUGH_COUNTED = 20
"""Fewest sessions, or patients for the next session, and fewest patients with counted areas: common practice, no
source."""

NEXT_SESSION_AT = tuple(years(count) for count in (1, 2, 5, 10))
DURATIONS = (
    ("crusts", (7, 10, 14)),
    ("shedding", (42, months(3))),
    ("first_growth", (months(3), months(4), months(6))),
    ("numbness", (months(3), months(6), months(12))),
)
SWELLING = "swelling"
SWELLING_WITHIN = Window(7)
SWELLING_DEGREES = tuple(ComplicationMeasure(SWELLING, severity).name for severity in (ANY, MODERATE))


@dataclass(frozen=True)
class Topic:
    """One part of the sheet: its figures, and the group of past patients that they are of.

    enough: whether even the widest group is large enough; else the figures are flagged one by one.
    """

    name: str
    match: Match
    enough: bool
    figures: tuple[Figure, ...]


def consultation_topics(
    registry: Registry,
    profile: Profile,
    *,
    as_of: date | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> tuple[Topic, ...]:
    """What happened to past patients like this one, by topic; each topic has the narrowest group that is large enough.

    Next session: cumulative incidence here by 1, 2, 5 and 10 years with death competing, of those first operated on
    here, with their median follow-up. Early weeks: shares of sessions with each complication, swelling by degree.
    Healing: shares in whom crusts, shedding, waiting for growth and numbness still are there. Yield: the share of
    placed grafts counted as growing in marked areas, and of how many patients less than 80 % grew. The day: median and
    middle half of the length of a session and of the day on which sutures were out (level 0.5).
    Estimators, assumptions and what misleads: as `next_session_causes`, `complications`, `durations`,
    `graft_survival`. A group is chosen by its size alone, never by its figures. Past patients of one registry: no
    forecast for one person. Nothing is told past follow-up.
    Medical therapy is no input: in records it marks who was treated, not what a drug does.
    Raises: GraftledgerError as `matching.matches`.
    """
    steps = matches(registry.settings, profile)

    @cache
    def assessed(chosen: Chosen) -> tuple[Figure, ...]:
        """Asked for by two topics, mostly of the same groups."""
        return complications(registry, chosen=chosen, as_of=as_of)

    return (
        _topic(
            "next_session", steps, lambda chosen: _next_session(registry, chosen, as_of), _patients_counted, progress
        ),
        _early_weeks(registry, steps, assessed, as_of, progress),
        _healing(registry, steps, assessed, as_of, progress),
        _yield(registry, steps, as_of, progress),
        _topic("the_day", steps, lambda chosen: session_facts(registry, chosen, as_of), _sessions_counted, progress),
    )


def _topic(
    name: str,
    steps: Sequence[Match],
    figures: Callable[[Chosen], tuple[Figure, ...]],
    enough: Callable[[Sequence[Figure]], bool],
    progress: Callable[[str], None],
) -> Topic:
    progress(f"Looking for enough past patients: {name.replace('_', ' ')}")
    found: tuple[Figure, ...] = ()
    for match in steps:
        found = figures(match.chosen)
        if enough(found):
            return Topic(name, match, True, found)
    return Topic(name, steps[-1], False, found)


def _healing(
    registry: Registry,
    steps: Sequence[Match],
    assessed: Callable[[Chosen], tuple[Figure, ...]],
    as_of: date | None,
    progress: Callable[[str], None],
) -> Topic:
    """Durations; the group is chosen by how many were asked about numbness at month 6, before any is estimated."""
    group = _topic("healing", steps, assessed, _numbness_assessed, progress)
    found: list[Figure] = []
    for of, at_days in DURATIONS:
        progress(f"How long: {of.replace('_', ' ')}")
        figures = durations(registry, of=of, at_days=at_days, chosen=group.match.chosen, as_of=as_of)
        found += [figure for figure in figures if figure.measure == f"{of}_still"]
    return Topic("healing", group.match, group.enough, tuple(found))


def _early_weeks(
    registry: Registry,
    steps: Sequence[Match],
    assessed: Callable[[Chosen], tuple[Figure, ...]],
    as_of: date | None,
    progress: Callable[[str], None],
) -> Topic:
    """Complications; swelling by its degrees beside the severe."""
    group = _topic("early_weeks", steps, assessed, _sessions_counted, progress)
    degrees = complication_incidence(
        registry,
        kinds=(SWELLING,),
        severities=(ANY, MODERATE),
        windows=(SWELLING_WITHIN,),
        chosen=group.match.chosen,
        as_of=as_of,
    )
    return replace(
        group, figures=(*(figure for figure in degrees if figure.measure in SWELLING_DEGREES), *group.figures)
    )


def _yield(registry: Registry, steps: Sequence[Match], as_of: date | None, progress: Callable[[str], None]) -> Topic:
    """The share that grew, and of how many patients less than four fifths did (from the model of yields)."""

    def survival(chosen: Chosen) -> tuple[Figure, ...]:
        found = graft_survival(registry, chosen=chosen, as_of=as_of)
        return tuple(figure for figure in found if figure.measure == GRAFT_SURVIVAL)

    group = _topic("yield", steps, survival, _patients_with_counts, progress)
    model = graft_survival_model(registry, chosen=group.match.chosen, as_of=as_of)
    return replace(group, figures=(*group.figures, *(figure for figure in model if figure.measure == BELOW_80)))


def _next_session(registry: Registry, chosen: Chosen, as_of: date | None) -> tuple[Figure, ...]:
    incidence = next_session_causes(registry, at_days=NEXT_SESSION_AT, chosen=chosen, as_of=as_of)
    followed = next_session_follow_up(registry, chosen=chosen, as_of=as_of)
    return (*(figure for figure in incidence if figure.measure != DEATH_BEFORE_NEXT_SESSION), *followed)


def session_facts(registry: Registry, chosen: Chosen, as_of: date | None = None) -> tuple[Figure, ...]:
    """Length of a session, and the day on which sutures were out (strips alone): median and middle half.

    lower and upper are the quartiles, level 0.5: between them lies the middle half of sessions, not an interval of the
    median. not_counted: sessions without the answer. Returns two figures; without an estimate where nobody answered.
    """
    table = rows(
        registry,
        (*SESSION_HERE, "contact", "session_contact", "session_fact"),
        """
        select
            count(*), count(duration_hours), quantile_cont(duration_hours, [0.25, 0.5, 0.75]),
            count(distinct if(duration_hours is not null, patient_key, null)),
            count(*) filter (has_sutures), count(sutures_out_day),
            quantile_cont(sutures_out_day, [0.25, 0.5, 0.75]),
            count(distinct if(sutures_out_day is not null, patient_key, null))
        from session_fact
        """,
        shared_values(registry.settings, as_of, chosen),
        shared_texts((), chosen),
    ).row(0)
    floor = registry.settings.floor_denominator
    figures = []
    for measure, (eligible, n, quartiles, patients) in ((SESSION_LENGTH, table[:4]), (SUTURES_OUT, table[4:])):
        low, middle, high = quartiles if n else (None, None, None)
        figures.append(
            Figure(
                measure,
                n,
                "sessions",
                "quartiles",
                estimate=middle,
                lower=low,
                upper=high,
                level=0.5,
                n_clusters=patients,
                not_counted={"item_empty": eligible - n} if eligible > n else {},
                flags=("too_few",) if n < floor else (),
            )
        )
    return tuple(figures)


def _patients_counted(figures: Sequence[Figure]) -> bool:
    return figures[0].n >= ENOUGH and not figures[0].flags


def _sessions_counted(figures: Sequence[Figure]) -> bool:
    return figures[0].n >= ENOUGH


def _numbness_assessed(figures: Sequence[Figure]) -> bool:
    return next(figure.n for figure in figures if figure.measure == "numbness") >= ENOUGH


def _patients_with_counts(figures: Sequence[Figure]) -> bool:
    return (figures[0].n_clusters or 0) >= ENOUGH_COUNTED
