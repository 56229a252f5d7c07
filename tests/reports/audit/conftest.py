"""A small practice whose figures can be counted by hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path

import pytest

from registry.store import Registry, open_registry, start_registry
from reports.audit import AuditDocument, build_audit
from tests.small_registry import Row, small_registry

from .reading import Element, read

QUARTER = "2019-Q4"
COMPLETE_TO = date(2019, 12, 31)
FIRST = date(2015, 1, 5)
PATIENTS = 12


def name(number: int) -> str:
    return f"patient{number}"


def records() -> dict[str, Sequence[Row]]:
    """Twelve patients of site A, one a month; every third has a second session here two years later.

    Each first session has a contact on day 7, 60, 182 and 365. Patient 0 had severe swelling; patients 0 and 1 were
    numb at month 6. Each has a marked area of 40 grafts, of which 36 grew. A thirteenth had a session in the quarter.
    """
    first = {name(number): FIRST + timedelta(days=30 * number) for number in range(PATIENTS)}
    again = {name(number): first[name(number)] + timedelta(days=730) for number in range(0, PATIENTS, 3)}
    new = date(2019, 11, 4)
    return {
        "patient": [
            {
                "patient_key": patient,
                "enrolled_on": day,
                "age_at_first_surgery_years": 30 if number % 2 else 50,
                "last_contact_on": day + timedelta(days=365),
                "last_contact_reason": "scheduled",
            }
            for number, (patient, day) in enumerate({**first, "new": new}.items())
        ],
        "session": [
            *({"session_key": f"{p}-1", "patient_key": p, "performed_on": day} for p, day in first.items()),
            *(
                {"session_key": f"{p}-2", "patient_key": p, "performed_on": day, "session_number": 2}
                for p, day in again.items()
            ),
            {"session_key": "new-1", "patient_key": "new", "performed_on": new},
        ],
        "visit": [
            {
                "visit_key": f"{patient}-{after}",
                "session_key": f"{patient}-1",
                "visited_on": day + timedelta(days=after),
                "swelling_since_last": "severe" if patient == name(0) and after == 7 else "none",
                "periorbital_bruising_since_last": False,
                "folliculitis_since_last": False,
                "infection_since_last": "none",
                "numbness_donor": "reduced" if patient in (name(0), name(1)) and after == 182 else "none",
                "numbness_recipient": "none",
            }
            for patient, day in first.items()
            for after in (7, 60, 182, 365)
        ],
        "graft_count": [
            {
                "count_key": f"{patient}-count",
                "session_key": f"{patient}-1",
                "counted_on": day + timedelta(days=365),
                "growing_grafts": 36,
            }
            for patient, day in first.items()
        ],
        "site_period": [
            {
                "site_code": site,
                "quarter": QUARTER,
                "records_complete_to": COMPLETE_TO,
                "sessions_declared": 2 if site == "A" else 0,
            }
            for site in ("A", "B")
        ],
    }


@pytest.fixture(scope="session")
def practice_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the registry with these records; nobody writes to it."""
    folder = tmp_path_factory.mktemp("audit") / "registry"
    start_registry(folder, ["A", "B"], ["S1", "S2"], "Test practice")
    with small_registry(folder, **records()):
        return folder


@pytest.fixture
def practice(practice_folder: Path) -> Iterator[Registry]:
    with open_registry(practice_folder) as registry:
        yield registry


@pytest.fixture(scope="session")
def document(practice_folder: Path) -> AuditDocument:
    """The audit of the practice, built once."""
    with open_registry(practice_folder) as registry:
        return build_audit(registry, QUARTER)


@pytest.fixture(scope="session")
def page(document: AuditDocument) -> Element:
    """Its page, read back."""
    return read(document.html)
