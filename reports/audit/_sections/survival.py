"""Survival of placed grafts, judged by counts in marked areas."""

from __future__ import annotations

from collections.abc import Iterator

from pipelines.figure import Figure
from pipelines.graft_measures import BELOW_80, BELOW_90, SESSIONS_COUNTED, YIELD_ALL_GREW, YIELD_NONE_GREW
from registry.milestones import mature_window_label

from ... import wording
from ...growth_chart import growth_picture
from ...intervals import interval_key, interval_picture
from ...layout import Section, not_counted_table
from .._data import AuditData
from .._intervals import benchmark_notes, rows_of, rows_under, share_table


def graft_survival(data: AuditData) -> Section:
    """Shares of placed grafts seen growing: overall, by site, by technique."""
    when = mature_window_label(data.settings.mature_window)
    rows = rows_of(data.survival, data, lambda _: "All areas counted")
    for heading, figures in (("By site", data.survival_by_site), ("By technique", data.survival_by_technique)):
        if figures:
            rows += rows_under(heading, figures, data)
    return Section(
        "graft-survival",
        "Graft survival",
        "graft_survival.html",
        {
            "picture": interval_picture(
                rows, "survival", "graft survival", "Share of placed grafts seen growing", from_zero=False
            ),
            "key": interval_key(rows, data.settings.floor_denominator, "patients")
            + " The intervals take the areas of one patient together.",
            "when": when,
            "capped": _capped_words(data),
            "around": list(_around_words(data)),
            "growth": growth_picture(data.growth),
            "table": share_table(
                f"Graft survival {when} after the session",
                rows,
                head="Group",
                events=None,
                counted="Areas counted",
                at_risk="Placed grafts",
                share="Survival",
                notes=benchmark_notes(rows, data),
            ),
            "not_counted": not_counted_table(
                "Areas counted, and sessions without a mature count by reason",
                "Group",
                [("All sites", figure) for figure in data.survival],
                "Areas counted",
            ),
        },
    )


def _capped_words(data: AuditData) -> str:
    """What it would change to cap each area at what was placed in it."""
    for capped in data.survival_capped:
        if capped.estimate is not None and capped.events:
            return (
                f"{wording.counted(capped.events, 'area')} had more grafts counted than were placed (hairs that stood "
                "there before, or a miscount). They are kept, since leaving them out would lower the share; with each "
                f"area capped at what was placed it would be {wording.share_words(capped)}."
            )
    return ""


def _around_words(data: AuditData) -> Iterator[str]:
    """How many patients yield little, and how many sessions were counted."""
    found = {figure.measure: figure for figure in data.survival_around}
    low, lower = found[BELOW_90], found[BELOW_80]
    if low.estimate is not None and "too_few" not in low.flags:
        yield (
            f"Counted areas yield below 90% in {_share(low)} of patients, and below 80% in {_share(lower)}: by a model "
            "of how patients differ, since raw shares are too high by the chance in counting few grafts."
        )
    counted, none, everything = found[SESSIONS_COUNTED], found[YIELD_NONE_GREW], found[YIELD_ALL_GREW]
    if counted.n and none.estimate is not None and everything.estimate is not None:
        yield (
            f"Of the sessions due for a count, {wording.share_words(counted)} were counted. If nothing had grown where "
            f"nobody counted, survival would be {wording.percent(none.estimate)}; if all had, "
            f"{wording.percent(everything.estimate)}. Neither is likely; that the two lie far apart says how little is "
            "known of those not counted."
        )


def _share(figure: Figure) -> str:
    """A share of a model, which counts no events, with its interval."""
    share = wording.percent(figure.estimate or 0.0)
    if figure.lower is None or figure.upper is None:
        return share
    return f"{share} ({wording.level_words(figure.level)} interval {wording.interval(figure.lower, figure.upper)})"
