"""The job of the page of rows held back: judge them again, or set some of them aside."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from registry.store import open_registry

JUDGE_AGAIN, SET_ASIDE = "judge again", "set aside"


def settle(registry: Path, request: Mapping[str, Any], files: Path, progress: Callable[[str], None]) -> dict[str, Any]:
    """Carry out one of the two. request: act; received_by; entries and reason of those to set aside.

    Raises: GraftledgerError where an entry or the reason is not known, or no row can be judged again; nothing is
    changed then.
    """
    from pipelines.held_back import DISMISSAL_REASONS, dismiss
    from pipelines.intake import retry_held_back

    with open_registry(registry, read_only=False) as opened:
        if request["act"] == SET_ASIDE:
            progress("Setting rows aside")
            event = dismiss(opened, request["entries"], reason=request["reason"], received_by=request["received_by"])
            return {
                "event": event,
                "rows": len(set(request["entries"])),
                "reason": DISMISSAL_REASONS[request["reason"]],
            }
        report = retry_held_back(opened, today=date.today(), received_by=request["received_by"], progress=progress)
    counts = report.returned
    return {
        "event": report.intake_id,
        "judged": sum(count.judged for count in counts),
        "came_in": sum(count.loaded + count.corrected + count.unchanged for count in counts),
        "held_back": sum(count.held_back for count in counts),
        "refused": sum(count.refused for count in counts),
    }
