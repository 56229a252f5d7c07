"""Sound rows of every record type, with every field filled, and a way to write them as files."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path

Row = dict[str, str]
TODAY = date(2026, 9, 30)

SOUND: Mapping[str, Row] = {
    "patient": {
        "patient_key": "patient-000000000",
        "site_code": "A",
        "indication": "pattern_loss",
        "consent_scope": "audit_and_research",
        "dates_shifted": "no",
        "sex": "male",
        "age_at_first_surgery_years": "34",
        "first_surgery_on": "2020-03-02",
        "first_surgery_precision": "day",
        "sessions_elsewhere": "0",
        "enrolled_on": "2020-02-01",
        "pattern_scale": "norwood_hamilton",
        "pattern_stage": "IV",
        "family_history": "paternal",
        "hair_calibre_um": "62.5",
        "hair_curl": "wavy",
        "hair_colour": "brown",
        "skin_hair_contrast": "medium",
        "donor_density_fu_cm2": "75",
        "smoking": "never",
        "diabetes": "no",
        "medical_therapy": "finasteride_oral;minoxidil_topical",
        "last_contact_on": "2024-03-04",
        "last_contact_reason": "scheduled",
        "died_on": "2024-05-01",
        "status_at_last_contact": "died",
    },
    "session": {
        "session_key": "session-000000000",
        "patient_key": "patient-000000000",
        "site_code": "A",
        "surgeon_code": "S1",
        "harvest_by": "S1",
        "placed_by": "S2",
        "session_number": "1",
        "performed_on": "2020-03-02",
        "performed_precision": "day",
        "learned_on": "2020-03-02",
        "further_sessions_planned": "0",
        "session_reason": "first_restoration",
        "technique": "strip",
        "donor_source": "scalp",
        "donor_closure": "plain",
        "zones": "frontal;hairline",
        "grafts_total": "2000",
        "grafts_1_hair": "500",
        "grafts_2_hair": "1000",
        "grafts_3_hair": "400",
        "grafts_4_hair": "100",
        "grafts_harvested": "2100",
        "grafts_discarded": "50",
        "grafts_transected": "50",
        "recipient_area_cm2": "60",
        "duration_hours": "6.5",
        "out_of_body_minutes": "180",
        "holding_solution": "saline",
        "atp_added": "no",
        "kept_chilled": "yes",
        "bleeding_risk_medicines": "none_taken",
        "tests_done": "blood_count;clotting",
        "allergies_recorded": "yes",
        "antibiotic_given": "no",
    },
    "visit": {
        "visit_key": "visit-00000000000",
        "session_key": "session-000000000",
        "visited_on": "2021-03-02",
        "contact_mode": "in_person",
        "visit_reason": "scheduled",
        "sensation_before": "normal",
        "swelling_since_last": "none",
        "periorbital_bruising_since_last": "no",
        "folliculitis_since_last": "no",
        "infection_since_last": "none",
        "swelling_now": "none",
        "folliculitis_lesions": "0",
        "infection": "none",
        "numbness_donor": "reduced",
        "numbness_recipient": "none",
        "crusts_present": "no",
        "shedding_seen": "no",
        "new_growth_visible": "yes",
        "sutures_out_on": "2020-03-09",
        "scar_width_mm": "1.5",
        "medical_therapy_now": "none",
        "surgery_elsewhere_since": "no",
        "satisfaction": "8",
    },
    "complication": {
        "complication_key": "complication-0000",
        "session_key": "session-000000000",
        "kind": "folliculitis",
        "severity": "mild",
        "clavien_dindo": "I",
        "onset_day": "20",
        "last_present_day": "30",
        "first_absent_day": "45",
        "treatment": "topical",
    },
    "graft_count": {
        "count_key": "count-00000000000",
        "session_key": "session-000000000",
        "area_label": "A",
        "zone": "frontal",
        "area_marking": "tattoo",
        "counter_code": "S2",
        "repeat_number": "1",
        "area_marked_on": "2020-03-02",
        "area_choice": "random",
        "area_cm2": "1",
        "placed_grafts": "30",
        "placed_hairs": "60",
        "existing_hairs_before": "10",
        "counted_on": "2021-03-02",
        "method": "trichoscopy",
        "growing_grafts": "27",
        "growing_hairs": "62",
    },
    "site_period": {
        "site_code": "A",
        "quarter": "2026-Q2",
        "sessions_declared": "12",
        "records_complete_to": "2026-06-30",
    },
}
KEY_OF = {
    "patient": "patient_key",
    "session": "session_key",
    "visit": "visit_key",
    "complication": "complication_key",
    "graft_count": "count_key",
}


def numbered(record: str, number: int, **changes: str) -> Row:
    """The sound row with keys of that number, so that rows of one number belong together."""
    row = dict(SOUND[record])
    for name in set(KEY_OF.values()) & set(row):
        row[name] = f"{name.removesuffix('_key')}-{number:016}"
    return row | changes


def write_csv(path: Path, rows: Iterable[Mapping[str, str]]) -> Path:
    """A CSV file with the columns of the first row."""
    rows = list(rows)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path
