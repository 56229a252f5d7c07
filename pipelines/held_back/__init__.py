"""Rows held back: what is open and why, a workbook a site to mend them in, and setting them aside."""

from __future__ import annotations

from .dismissing import DISMISSAL_REASONS, dismiss
from .listing import Entry, Reason, entries
from .workbook import Workbook, export_workbooks

__all__ = ["DISMISSAL_REASONS", "Entry", "Reason", "Workbook", "dismiss", "entries", "export_workbooks"]
