"""How far loss to follow-up could shift the share with a next session anywhere."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from registry.store import Registry

from .._queries import kept
from ..estimators import (
    SurvivalCurve,
    WeightedSurvival,
    censoring_weighted,
    product_limit,
    weighted_survival,
)
from ..figure import Figure
from ..groups import EVERYBODY, Chosen, GroupField, chosen_fields, group_columns, group_fields
from ..measures import (
    CONTACT_WEIGHTED,
    EFFECTIVE_SHARE,
    ENDED_AT_LAST_CONTACT,
    HEAVIEST_WEIGHT,
    LOST_HAD_NONE,
    LOST_HAD_ONE,
)
from .either_event import either_event
from .estimands import ANYWHERE, session_number
from .follow_up import BOUND_STEPS
from .reading import DEFAULT_AT_DAYS, Subject, event_figures
from .spells import Group, Request, folded, kept_spells, nobody, people_in, refuse_negative

LOSS_FIELDS = ("age_band", "site_code")
"""What the model for loss is made of."""
SMALLEST_CELL = 50
"""Cells of the model with fewer patients are put together. Common practice, no source."""
WEIGHT_EVERY_DAYS = 30

_BOUNDS = {LOST_HAD_NONE: "here", ENDED_AT_LAST_CONTACT: "last_contact", LOST_HAD_ONE: "lost_had_one"}


def next_session_sensitivity(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    at_days: Sequence[int] = DEFAULT_AT_DAYS,
    number: str | None = None,
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Shares with a next session anywhere under other readings of those lost before the records end.

    A patient is lost where contacts stop telling of surgery elsewhere before the records end, with no next session
    known. Kaplan-Meier, limits on the log(-log) scale, with those lost
    - counted to the end of the records without one (next_session_if_lost_had_none): the lower bound;
    - seen only to the last contact (next_session_if_ended_at_last_contact): the plain curve. It reads high: who comes
      back only to be operated on is seen at that session, whoever has none is not;
    - having had one on the next day (next_session_if_lost_had_one): the upper bound. Wide bounds say how little the
      records alone can tell; none of them is likely.
    Weighted (next_session_anywhere_contact_weighted): the estimate of "anywhere", in which those still in contact
    stand in for those lost of the same age band and site (`estimators.censoring_weighted`, cells below 50 patients put
    together, weights anew every 30 days). It mends loss that age and site explain. It cannot mend loss that depends
    on the session itself: such as people who never come back because they went elsewhere; weights then stay near 1
    and nothing warns of it.
    heaviest_contact_weight and effective_share_of_contacts (Kish, of those still in contact) by each day say what the
    weights do: look again where the heaviest is above 10 or the share below a half (common practice, no source).
    Patients enrolled after the session are left out of the weights.

    by, at_days, number (a single one), chosen, as_of, level: as `time_to_next_session`.
    Returns figures by group, then measure, then day.
    Raises: GraftledgerError as `time_to_next_session`.
    Source: Robins & Finkelstein 2000, Biometrics 56:779-788 (weights); Kish 1965, Survey Sampling, section 11.7.
    """
    refuse_negative(at_days)
    fields = chosen_fields(by, registry.settings)
    asked = session_number(number) if number else None
    request = Request(registry, fields, chosen, asked, as_of)
    with kept_spells(request, BOUND_STEPS) as texts:
        bounds = folded(request, texts)
    weighted = _weighted(registry, fields, chosen, request)
    figures: list[Figure] = []
    for group, tables in bounds.items():
        named = request.named(group)
        for measure, ending in _BOUNDS.items():
            risk = tables.risk.get(ending, nobody())
            subject = Subject(measure, "kaplan_meier_loglog", request.floor, named, tables, level, people_in(risk))
            figures += event_figures(subject, product_limit(risk), at_days)
        if group in weighted:
            here, told, intervals = weighted[group]
            subject = Subject(
                CONTACT_WEIGHTED, "contact_weighted_loglog", request.floor, named, tables, level, tables.n
            )
            figures += event_figures(subject, either_event(here, told.curve), at_days)
            figures += _weights(told, intervals, at_days, named, level)
    return tuple(figures)


def _weighted(
    registry: Registry, fields: Sequence[GroupField], chosen: Chosen, request: Request
) -> dict[Group, tuple[SurvivalCurve, WeightedSurvival, pl.DataFrame]]:
    """The curve of sessions here, the weighted one of sessions elsewhere, and its weights, by group."""
    known = group_fields(registry.settings)
    model = tuple(known[name] for name in LOSS_FIELDS if name not in {field.name for field in fields})
    columns, cells = group_columns(fields), group_columns([*fields, *model])[len(fields) :]
    split = Request(registry, (*fields, *model), chosen, request.number, request.as_of)
    with kept_spells(request, ANYWHERE.steps) as texts:
        here = {
            group: product_limit(tables.risk.get("here", nobody())) for group, tables in folded(request, texts).items()
        }
    with kept_spells(split, ANYWHERE.steps) as texts, kept(registry, "spell_count", ("spell_count",), {}, texts):
        table = split.fold(("loss_cell",), texts)
    found = {}
    for group, part in table.partition_by(columns, as_dict=True).items() if columns else [((), table)]:
        spells = part.select(_cell(cells).alias("group"), "exit_day", "events", "censored")
        if spells.height:
            intervals = censoring_weighted(spells, WEIGHT_EVERY_DAYS)
            found[group] = (here[group], weighted_survival(intervals), intervals)
    return found


def _cell(cells: Sequence[str]) -> pl.Expr:
    """The cell of the model that a row belongs to; small ones are one."""
    name = pl.concat_str([pl.col(cell) for cell in cells], separator=", ") if cells else pl.lit("all")
    people = (pl.col("events") + pl.col("censored")).sum()
    size = people.over(list(cells)) if cells else people
    return pl.when(size < SMALLEST_CELL).then(pl.lit("small cells")).otherwise(name)


def _weights(
    told: WeightedSurvival,
    intervals: pl.DataFrame,
    at_days: Sequence[int],
    named: dict[str, str],
    level: float,
) -> list[Figure]:
    """The heaviest weight up to each day, and the effective share of those in contact on it."""
    curve, figures = told.curve, []
    for day in at_days:
        # at risk between two rows are those at risk on the later one
        row = int((curve.day < day).sum())
        inside = curve.last_day is not None and day <= curve.last_day and row < curve.day.size
        at_risk = int(curve.at_risk[row]) if inside else 0
        heaviest = intervals.filter(pl.col("entry_day") < max(day, 1)).get_column("weight").max() if inside else None
        effective = float(told.effective_at_risk[row]) / at_risk if at_risk else None
        for measure, estimate in ((HEAVIEST_WEIGHT, heaviest), (EFFECTIVE_SHARE, effective)):
            figures.append(
                Figure(
                    measure,
                    at_risk,
                    "patients",
                    "inverse_probability_of_contact",
                    group=named,
                    at=day,
                    estimate=None if estimate is None else float(estimate),  # type: ignore[arg-type]
                    level=level,
                    n_clusters=at_risk,
                    at_risk=at_risk,
                    flags=() if inside else ("beyond_follow_up",),
                )
            )
    return sorted(figures, key=lambda figure: figure.measure != HEAVIEST_WEIGHT)
