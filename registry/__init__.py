"""What a record is, and where records live."""

from __future__ import annotations

from ._ddl import field_names_sql, history_table, key_equal_sql, literal, quoted, row_text_sql, text_of_values_sql
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
    "field_names_sql",
    "history_table",
    "key_equal_sql",
    "literal",
    "open_registry",
    "quoted",
    "record_type",
    "row_text_sql",
    "start_registry",
    "text_of_values_sql",
]
