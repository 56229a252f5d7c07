"""Pseudonyms made at the site before records are sent: keys for chart numbers, ages for births, dates moved alike."""

from __future__ import annotations

from registry.private_files import check_new, write_private

from .link_table import read_link_table, read_passphrase, write_link_table
from .output import write_pseudonymised
from .plan import KEY_FIELDS, PATIENT_KEY, Plan
from .practice_key import PracticeKey, make_key_file, read_key_file
from .table import Pseudonymised, pseudonymise_table

__all__ = [
    "KEY_FIELDS",
    "PATIENT_KEY",
    "Plan",
    "PracticeKey",
    "Pseudonymised",
    "check_new",
    "make_key_file",
    "pseudonymise_table",
    "read_key_file",
    "read_link_table",
    "read_passphrase",
    "write_link_table",
    "write_private",
    "write_pseudonymised",
]
