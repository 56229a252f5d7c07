"""What graft counts and donor records tell beside the share of grafts that grow."""

from __future__ import annotations

from .agreement import count_agreement
from .donor import donor_use
from .growth import growth
from .patients import graft_survival_model
from .selection import graft_survival_selection

__all__ = ["count_agreement", "donor_use", "graft_survival_model", "graft_survival_selection", "growth"]
