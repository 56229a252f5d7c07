"""Where the audit is signed."""

from __future__ import annotations

from ...layout import Section
from .._data import AuditData

_ROLES = ("Prepared by", "Read by the sites", "Signed by the medical director")


def sign_off(data: AuditData) -> Section:
    """What is signed for, and by whom."""
    return Section(
        "sign-off",
        "Sign-off",
        "sign_off.html",
        {"roles": _ROLES, "snapshot": data.meta["snapshot"], "quarter": str(data.quarter)},
    )
