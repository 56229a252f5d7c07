"""How often each kind of complication follows a session, by severity, within stated days."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from registry.store import Registry

from .complication_counts import ClassCounts, Group, WindowCounts, ratio_sums, window_counts
from .complication_kinds import (
    ANY,
    ASSESSED,
    DEFAULT_WINDOWS,
    KINDS,
    ComplicationMeasure,
    Window,
)
from .complication_request import SESSION, ComplicationRequest, Told
from .estimators import clustered_share, wilson
from .estimators.clustered_share import Limits
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import EVERYBODY, Chosen, all_groups, chosen_fields

MISSING = ("missed_visit", "not_reached", "item_empty")
"""Why a session that was due is not assessed, though it might have been."""
NO_EVENT = "zero_event_upper"


def complication_incidence(
    registry: Registry,
    *,
    kinds: Sequence[str] = KINDS,
    severities: Sequence[str] = (ANY,),
    windows: Sequence[Window] = DEFAULT_WINDOWS,
    per: str = SESSION,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
    limits: Limits = "wilson",
) -> tuple[Figure, ...]:
    """Share of sessions, or of patients, after which a complication happened, of those whose whole window is covered.

    Estimator: events / assessed; limits by `clustered_share`, which allows for several sessions a patient.
    Event: told by a contact or by a complication record; one told by both is one. A contact tells of the time since
    the last one, or sees the event itself; a record tells by its day of onset. A positive answer at a contact later
    than the window's end counts, unless a record places the onset after it: the share is, if anything, too high, and
    `_straddling` says of how many events it cannot be told.
    Denominator, kinds with an item "since the last contact" (swelling, bruised eyes, folliculitis, infection): an
    unbroken chain of contacts that answer it, up to the first on or after the window's end, which may be as late as
    the close of the first milestone due from then on. Kinds known from records alone: a contact, about any session,
    on or after the window's end; records are kept as they become known, so a contact without one is read as "none".
    `ever`: to the end of what is known, which differs between sessions; a share of its own kind, not to be compared
    between groups followed for different times. It needs one contact after the session (that answers the item).
    Severity: what it took to treat, from records, `any`, `moderate` or worse, or `severe`. Swelling alone has degrees
    of its own at contacts; moderate and severe swelling are those, and no record tells of them.
    per patient: counted where every session here that is due is; an event after any of them counts once. By a field of
    the session, a patient stands in each group that has a session.
    Sessions not due, not assessed, or followed too soon by death or a further session stand in not_counted. Events
    among them are counts of their own (`_outside`), never divided; so are records without a day of onset.
    Assumes: who is assessed is like who is not; see `complication_sensitivity` for how far that could mislead.
    Between surgeons or sites: small numbers and another case-mix, not a verdict. For one patient it is no promise.

    kinds, severities: codes. windows: days since the session. by: names of at most two fields. chosen: whose sessions
    are looked at. as_of: what happened later is ignored. level: above 0, below 1. limits: `wilson` or
    `clopper_pearson`.
    Returns figures by window, then kind and severity, then group. estimate with n assessed, n_clusters their patients,
    events; method `zero_event_upper` where none was seen: upper is then the one-sided bound. `_outside`: events not
    divided, n the sessions or patients not counted (and records without a day, under "other"), no estimate. Last, by
    class of kinds: `_assessed`, the share assessed of those due.
    Raises: GraftledgerError for an unknown field.
    Source: Wilson 1927, JASA 22:209-212; Clopper & Pearson 1934, Biometrika 26:404-413; see `clustered_share`. The
    windows are common practice, no source.
    """
    request = ComplicationRequest(
        registry, chosen_fields(by, registry.settings), chosen, tuple(kinds), tuple(severities), as_of, per
    )
    return incidence_figures(request, windows, window_counts(request, windows), chosen, level, limits)


def incidence_figures(
    request: Told,
    windows: Sequence[Window],
    counts_of: Sequence[WindowCounts],
    chosen: Chosen,
    level: float,
    limits: Limits = "wilson",
) -> tuple[Figure, ...]:
    """The figures of each window, wherever the counts come from."""
    figures: list[Figure] = []
    for window, counts in zip(windows, counts_of, strict=True):
        groups = all_groups(request.fields, counts.classes, chosen)
        for measure in request.measures:
            figures += [share_figure(request, window, counts, group, measure, level, limits) for group in groups]
            for beside in (_straddling, _outside):
                found = (beside(request, window, counts, group, measure) for group in groups)
                figures += [figure for figure in found if figure is not None]
        for name in request.classes:
            figures += [assessed_figure(request, window, counts, group, name, level) for group in groups]
    return tuple(figures)


def named(request: Told, window: Window, group: Group) -> dict[str, Any]:
    """What every figure of a group and window has in common."""
    return {
        "group": dict(zip((field.name for field in request.fields), group, strict=True)),
        "window": window.name,
        "n_unit": f"{request.per}s",
    }


def share_figure(
    request: Told,
    window: Window,
    counts: WindowCounts,
    group: Group,
    measure: ComplicationMeasure,
    level: float,
    limits: Limits = "wilson",
) -> Figure:
    """Events of those assessed."""
    of, events = counts.of(group, measure)
    share = clustered_share(ratio_sums(of, events), level, limits) if of.n else None
    return Figure(
        measure.name,
        **named(request, window, group),
        n=of.n,
        n_clusters=of.patients,
        events=events.events.get(None, 0),
        estimate=share.estimate if share else None,
        lower=share.lower if share else None,
        upper=share.upper if share else None,
        level=level,
        not_counted=_ordered(of.reasons),
        method=NO_EVENT if share and share.one_sided else limits,
        flags=("too_few",) if of.n < request.floor else (),
    )


def assessed_figure(
    request: Told, window: Window, counts: WindowCounts, group: Group, name: str, level: float
) -> Figure:
    """Share assessed of those due that could have been assessed."""
    of = counts.classes.get(group, {}).get(name, ClassCounts())
    due = of.n + of.missing(MISSING)
    share = wilson(of.n, due, level) if due else None
    return Figure(
        ASSESSED[name],
        **named(request, window, group),
        n=due,
        events=of.n,
        estimate=share.estimate if share else None,
        lower=share.lower if share else None,
        upper=share.upper if share else None,
        level=level,
        not_counted=_ordered({reason: n for reason, n in of.reasons.items() if reason not in MISSING}),
        method="wilson",
        flags=("too_few",) if due < request.floor else (),
    )


def _straddling(
    request: Told, window: Window, counts: WindowCounts, group: Group, measure: ComplicationMeasure
) -> Figure | None:
    """Events counted that may have fallen after the window; None where there are none."""
    of, events = counts.of(group, measure)
    straddling = events.straddling.get(None, 0)
    if not straddling:
        return None
    return Figure(measure.straddling, **named(request, window, group), n=of.n, events=straddling, method="count")


def _outside(
    request: Told, window: Window, counts: WindowCounts, group: Group, measure: ComplicationMeasure
) -> Figure | None:
    """Events known outside the denominator, by reason; None where there are none."""
    of, events = counts.of(group, measure)
    found = {reason: n for reason, n in events.events.items() if reason is not None}
    undated = sum(events.undated.values())
    if not found and not undated:
        return None
    return Figure(
        measure.outside,
        **named(request, window, group),
        n=sum(of.reasons.values()),
        events=sum(found.values()) + undated,
        not_counted=_ordered({**found, **({"not_counted": undated} if undated else {})}),
        method="count",
    )


def _ordered(reasons: dict[str, int] | Any) -> dict[str, int]:
    return {reason: reasons[reason] for reason in NOT_COUNTED_REASONS if reason in reasons}
