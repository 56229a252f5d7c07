"""Survival of placed grafts, judged by counts in marked areas."""

from __future__ import annotations

from ... import wording
from ...intervals import interval_key, interval_picture
from ...layout import Section, not_counted_table
from .._data import AuditData
from .._intervals import benchmark_notes, rows_of, rows_under, share_table


def graft_survival(data: AuditData) -> Section:
    """Shares of placed grafts seen growing: overall, by site, by technique."""
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
            "capped": _capped_words(data),
            "table": share_table(
                "Graft survival 10 to 18 months after the session",
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
