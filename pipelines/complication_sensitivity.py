"""How far sessions that were not assessed could shift the share with a complication."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from registry.store import Registry

from .complication_counts import Group, WindowCounts, ratio_sums, window_counts
from .complication_incidence import MISSING, assessed_figure, named, share_figure
from .complication_kinds import ANY, DEFAULT_WINDOWS, KINDS, ComplicationMeasure, Window
from .complication_request import ComplicationRequest
from .estimators import clustered_share
from .estimators.cell_weights import Cell, cell_weighted_share
from .figure import Figure
from .groups import EVERYBODY, Chosen, all_groups, chosen_fields, group_fields

MODEL_FIELDS = ("age_band", "site_code", "technique")
"""What the cells of the model of being assessed are made of."""
SMALLEST_CELL = 50
"""Cells with fewer sessions due are put together. Common practice, no source."""


def complication_sensitivity(
    registry: Registry,
    *,
    kinds: Sequence[str] = KINDS,
    severities: Sequence[str] = (ANY,),
    windows: Sequence[Window] = DEFAULT_WINDOWS,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """The share with a complication under other readings of the sessions that were due and not assessed.

    Those missing had no contact in time, could not be reached, or were not asked throughout. Sessions not due, and
    those after which the patient died or was operated on again, stay out.
    - `_at_least`: none of those missing had it, but for those known to have had it; events that may have fallen after
      the window are left out.
    - `_at_most`: all of those missing had it, and all with a record without a day of onset. Between these two lies the
      truth, whatever is missing; wide bounds say how little the records alone can tell.
    - `_weighted`: those assessed stand in for those missing of the same age band, site and technique
      (`cell_weighted_share`, cells of fewer than 50 sessions due put together). It mends what these explain, nothing
      else: where the well stay away within a cell it stays too high, and nothing warns of it.
    Beside it `_lightest_weight`, `_heaviest_weight` and `_effective_share` (Kish, of those assessed): look again where
    the heaviest is above 10 or the share below a half (common practice, no source).

    Arguments: as `complication_incidence`, per session.
    Returns figures by window, then kind and severity, then group: the share, at_least, at_most, weighted (n: sessions
    due), the weights and their effect; at_least and at_most have no limits of their own. Last the share assessed.
    Raises: GraftledgerError as `complication_incidence`. Source: see `cell_weighted_share`; the bounds: Manski 1989, J
    Hum Resour 24:343-360.
    """
    fields, known = chosen_fields(by, registry.settings), group_fields(registry.settings)
    model = tuple(known[name] for name in MODEL_FIELDS if name not in {field.name for field in fields})
    request = ComplicationRequest(registry, fields, chosen, tuple(kinds), tuple(severities), as_of)
    whole = window_counts(request, windows)
    cells = window_counts(replace(request, fields=(*fields, *model)), windows)
    figures: list[Figure] = []
    for window, counts, parts in zip(windows, whole, cells, strict=True):
        groups = all_groups(fields, counts.classes, chosen)
        for measure in request.measures:
            for group in groups:
                figures.append(share_figure(request, window, counts, group, measure, level))
                figures += _bounds(request, window, counts, group, measure, level)
                figures += _weighted(request, window, counts, parts, group, measure, level)
        for name in request.classes:
            figures += [assessed_figure(request, window, counts, group, name, level) for group in groups]
    return tuple(figures)


def _bounds(
    request: ComplicationRequest,
    window: Window,
    counts: WindowCounts,
    group: Group,
    measure: ComplicationMeasure,
    level: float,
) -> list[Figure]:
    of, events = counts.of(group, measure)
    missing, seen = of.missing(MISSING), events.events.get(None, 0)
    due = of.n + missing
    least = sum(events.events.get(reason, 0) - events.straddling.get(reason, 0) for reason in (None, *MISSING))
    most = seen + missing + events.undated.get(None, 0)
    return [
        Figure(
            name,
            **named(request, window, group),
            n=due,
            events=bound,
            estimate=bound / due if due else None,
            level=level,
            method="bound",
            flags=_few(request, due),
        )
        for name, bound in ((measure.at_least, least), (measure.at_most, most))
    ]


def _weighted(
    request: ComplicationRequest,
    window: Window,
    counts: WindowCounts,
    parts: WindowCounts,
    group: Group,
    measure: ComplicationMeasure,
    level: float,
) -> list[Figure]:
    of, events = counts.of(group, measure)
    cells = []
    for place in parts.classes:
        if place[: len(group)] == group:
            part, found = parts.of(place, measure)
            cells.append(
                Cell(", ".join(place[len(group) :]), part.n + part.missing(MISSING), part.n, found.events.get(None, 0))
            )
    effect = clustered_share(ratio_sums(of, events), level).design_effect if of.n else 1.0
    share = cell_weighted_share(cells, SMALLEST_CELL, level, effect)
    due = of.n + of.missing(MISSING)
    shared: dict[str, Any] = {**named(request, window, group), "level": level}
    if share is None:
        return [Figure(measure.weighted, **shared, n=due, method="cell_weights", flags=("too_few",))]
    none = not events.events.get(None, 0)  # weights of nothing tell nothing: the plain bound stands
    return [
        Figure(
            measure.weighted,
            **shared,
            n=due - share.unreached,
            estimate=share.estimate,
            lower=None if none else share.lower,
            upper=None if none else share.upper,
            not_counted={"not_counted": share.unreached} if share.unreached else {},
            method="cell_weights",
            flags=_few(request, of.n),
        ),
        *(
            Figure(name, **shared, n=of.n, estimate=number, method="cell_weights", flags=_few(request, of.n))
            for name, number in (
                (measure.lightest, share.lightest),
                (measure.heaviest, share.heaviest),
                (measure.effective, share.effective_share),
            )
        ),
    ]


def _few(request: ComplicationRequest, n: int) -> tuple[str, ...]:
    return ("too_few",) if n < request.floor else ()
