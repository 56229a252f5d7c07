"""Status and settings: what the registry holds, how it is set, and who has an account."""

from __future__ import annotations

from fastapi import Request, Response

from registry.milestones import mature_window_label
from registry.settings import SETTINGS_FILE

from ..access import Pages, Role
from ..accounts import accounts
from ..context import VisitorGiven, WebGiven, remembered, show

pages = Pages()
_EVENTS_SHOWN = 10


@pages.get("/status", task="status", what="Status and settings")
def status_page(request: Request, web: WebGiven, visitor: VisitorGiven) -> Response:
    """The registry at a glance."""
    from pipelines.measures import MEASURE_LABELS
    from pipelines.registry_status import registry_status

    found, settings = remembered(
        web, "status", lambda registry: (registry_status(registry, last_events=_EVENTS_SHOWN), registry.settings)
    )
    return show(
        request,
        "status.html",
        found=found,
        settings=settings,
        settings_file=SETTINGS_FILE,
        mature=mature_window_label(settings.mature_window),
        labels=MEASURE_LABELS,
        accounts=accounts(web.folder) if visitor.role is Role.DIRECTOR else (),
    )
