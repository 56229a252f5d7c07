"""What is done to all records of one patient: erasing them, and merging two keys of one person."""

from __future__ import annotations

from .erasing import Erasure, PatientTrace, ReportWritten, erase_patient, find_patient
from .merging import differing_fields, merge_patients, undo_merge

__all__ = [
    "Erasure",
    "PatientTrace",
    "ReportWritten",
    "differing_fields",
    "erase_patient",
    "find_patient",
    "merge_patients",
    "undo_merge",
]
