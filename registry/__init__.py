"""What a record is, and where records live."""

from __future__ import annotations

from .definition import RECORD_TYPES, record_type
from .errors import Fault, GraftledgerError
from .settings import Settings
from .store import Registry, open_registry, start_registry

__all__ = [
    "RECORD_TYPES",
    "Fault",
    "GraftledgerError",
    "Registry",
    "Settings",
    "open_registry",
    "record_type",
    "start_registry",
]
