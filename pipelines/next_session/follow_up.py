"""How long, and how completely, patients were followed: what stands beside each curve of the next session."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import polars as pl

from registry.store import Registry

from ..estimators import follow_up_completeness, product_limit, quantile_with_limits
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, chosen_fields, group_columns
from ..measures import FOLLOW_UP_COMPLETENESS, MEDIAN_FOLLOW_UP
from .estimands import ANYWHERE, HERE, session_number
from .probability import known_estimand
from .reading import DEFAULT_AT_DAYS
from .spells import GroupTables, Request, folded, kept_spells, nobody, people_in

BOUND_STEPS = (*ANYWHERE.steps[:-1], "spell_bounds")


def next_session_follow_up(
    registry: Registry,
    *,
    estimand: str = HERE.name,
    by: Sequence[str] = (),
    at_days: Sequence[int] = DEFAULT_AT_DAYS,
    number: str | None = None,
    with_all: bool = False,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Median follow-up and completeness of follow-up, beside a curve of the same arguments.

    median_follow_up, in days: reverse Kaplan-Meier, limits of Brookmeyer & Crowley. For "here" it is how far the
    site's records reach; for "anywhere", how long contacts tell of surgery elsewhere.
    follow_up_completeness, for "anywhere" only: days seen of the days there could have been within at days, to the
    event or the end of the records (Clark's index). For "here" nothing is lost before the records end.
    Misleads: a patient who came back only to be operated on counts as completely followed.

    with_all: the figures of all groups together first.
    Returns figures by group: the median, then completeness by day (events: patients followed completely).
    Raises: GraftledgerError as `time_to_next_session`.
    Source: Schemper & Smith 1996, Control Clin Trials 17:343-346; Clark, Altman & De Stavola 2002, Lancet
    359:1309-1310.
    """
    meaning = known_estimand(estimand)
    told = meaning is ANYWHERE
    fields = chosen_fields(by, registry.settings)
    request = Request(registry, fields, chosen, session_number(number) if number else None, as_of)
    figures: list[Figure] = []
    with kept_spells(request, BOUND_STEPS if told else meaning.steps) as texts:
        for part in (request.of_all, request) if with_all and fields else (request,):
            figures += _figures(part, {**texts, **part.group_texts}, at_days, level, told=told)
    return tuple(figures)


def _figures(
    request: Request, texts: Mapping[str, str], at_days: Sequence[int], level: float, *, told: bool
) -> Iterator[Figure]:
    """By group, from spells that are kept. told: contacts tell of an end."""
    registry, columns = request.registry, group_columns(request.fields)
    groups = folded(request, texts)
    table = request.fold(("follow_up_count",), texts) if told else None
    for group, tables in groups.items():
        named = request.named(group)
        ended = tables.risk.get("last_contact" if told else "here", nobody())
        yield median_follow_up_figure(registry, ended, named, level)
        if table is not None:
            part = table.filter(*(pl.col(name) == value for name, value in zip(columns, group, strict=True)))
            yield from (
                _completeness(registry, part.drop(columns), day, tables, named, level) for day in at_days if day
            )


def median_follow_up_figure(registry: Registry, risk: pl.DataFrame, group: dict[str, str], level: float) -> Figure:
    """Reverse Kaplan-Meier over a risk table."""
    reverse = risk.rename({"events": "censored", "censored": "events"})
    n = people_in(risk)
    median = quantile_with_limits(product_limit(reverse), 0.5, level)
    return Figure(
        MEDIAN_FOLLOW_UP,
        n,
        "patients",
        "reverse_kaplan_meier",
        group=group,
        estimate=median.estimate_days,
        lower=median.lower_days if median.estimate_days is not None else None,
        upper=median.upper_days if median.estimate_days is not None else None,
        level=level,
        n_clusters=n,
        flags=("too_few",) if n < registry.settings.floor_denominator else (),
    )


def _completeness(
    registry: Registry, follow_up: pl.DataFrame, day: int, tables: GroupTables, group: dict[str, str], level: float
) -> Figure:
    found = follow_up_completeness(follow_up, within_days=day)
    return Figure(
        FOLLOW_UP_COMPLETENESS,
        found.people,
        "patients",
        "clark_index",
        group=group,
        at=day,
        estimate=found.share,
        level=level,
        n_clusters=found.people,
        events=found.complete,
        not_counted=tables.not_counted,
        flags=("too_few",) if found.people < registry.settings.floor_denominator else (),
    )
