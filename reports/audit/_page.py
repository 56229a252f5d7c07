"""The page of an audit: its cover over its sections."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .. import wording
from ..layout import Section
from ..page import document
from ._data import AuditData


def cover(data: AuditData) -> dict[str, Any]:
    """What stands over the sections: the quarter, and what the figures rest on."""
    quarter = data.quarter
    return {
        "practice": data.settings.practice,
        "quarter": str(quarter),
        "words": quarter.words,
        "first_on": wording.date_words(quarter.first_on),
        "last_on": wording.date_words(quarter.last_on),
        "data_date": data.complete_words,
        "snapshot": data.meta["snapshot"],
        "intakes": len({count.intake_id for count in data.intakes}),
        "settings": data.meta["settings"],
        "version": data.meta["version"],
        "preface": data.comments.preface,
    }


def page(data: AuditData, sections: Sequence[Section]) -> str:
    """Lay out the sections below the cover. The same data gives the same text."""
    return document("reports.audit", f"Quarterly audit {data.quarter}", cover(data), sections)
