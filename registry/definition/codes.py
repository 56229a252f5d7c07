"""The closed lists of answers, each written once."""

from __future__ import annotations

from ._field import CodeList, code_list

YES_NO_UNKNOWN = code_list("yes_no_unknown", yes="Yes", no="No", unknown="Asked, and not known")

INDICATION = code_list(
    "indication",
    pattern_loss="Androgenetic (pattern) hair loss",
    diffuse_loss="Diffuse loss without a pattern",
    scarring_alopecia="Scarring alopecia",
    traction="Traction alopecia",
    burn_or_injury="Burn or injury",
    gender_affirming="Gender-affirming restoration",
    other="Another indication",
)
CONSENT_SCOPE = code_list(
    "consent_scope",
    audit_and_research="The practice's audit, and research",
    audit_only="The practice's audit only",
    not_asked="Not asked",
)
SEX = code_list("sex", female="Female", male="Male", intersex="Intersex", unknown="Asked, and not known")
DATE_PRECISION = code_list(
    "date_precision", day="The day is known", month="Only the month is known", year="Only the year is known"
)
PATTERN_SCALE = code_list(
    "pattern_scale",
    norwood_hamilton="Norwood-Hamilton classification",
    ludwig="Ludwig classification",
    none="No classification used",
)
NORWOOD_STAGES = ("I", "II", "IIa", "III", "IIIa", "III_vertex", "IV", "IVa", "V", "Va", "VI", "VII")
LUDWIG_STAGES = ("I", "II", "III")
PATTERN_STAGE = code_list(
    "pattern_stage",
    **{stage: f"Stage {stage.replace('_', ' ')}" for stage in NORWOOD_STAGES},
)
FAMILY_HISTORY = code_list(
    "family_history",
    none="No relative affected",
    maternal="On the mother's side",
    paternal="On the father's side",
    both="On both sides",
    unknown="Asked, and not known",
)
HAIR_CURL = code_list("hair_curl", straight="Straight", wavy="Wavy", curly="Curly", coiled="Tightly coiled")
HAIR_COLOUR = code_list(
    "hair_colour", black="Black", brown="Brown", blond="Blond", red="Red", grey_white="Grey or white"
)
CONTRAST = code_list("skin_hair_contrast", low="Low", medium="Medium", high="High")
SMOKING = code_list(
    "smoking",
    never="Never smoked",
    former="Stopped smoking",
    current="Smokes",
    unknown="Asked, and not known",
)
MEDICAL_THERAPY = code_list(
    "medical_therapy",
    none="None",
    finasteride_oral="Finasteride by mouth",
    finasteride_topical="Finasteride on the scalp",
    dutasteride="Dutasteride",
    minoxidil_topical="Minoxidil on the scalp",
    minoxidil_oral="Minoxidil by mouth",
    spironolactone="Spironolactone",
    platelet_rich_plasma="Platelet-rich plasma",
    light_therapy="Low-level light therapy",
    hormones="Hormone therapy",
    other="Another therapy",
    unknown="Asked, and not known",
)
CONTACT_REASON = code_list(
    "last_contact_reason",
    scheduled="A scheduled contact",
    patient_asked="The patient asked for it",
    session="A session prompted it",
    other="Another reason",
)
WITHDRAWN = "consent_withdrawn"
"""The status that asks for an erasure."""
STATUS = code_list(
    "status_at_last_contact",
    in_follow_up="In follow-up",
    discharged="Discharged",
    not_reached="Could not be reached",
    left_care="Left the practice's care",
    consent_withdrawn="Consent withdrawn: nothing more is taken in, and an erasure is asked for",
    died="Died",
)
SESSION_REASON = code_list(
    "session_reason",
    unknown="Not known",
    first_restoration="First restoration",
    progression="Hair loss went on",
    density="More density wished",
    planned_stage="A stage planned before the previous session",
    poor_growth="Too little grew",
    scar_revision="Revision of a scar",
    repair="Repair of earlier work",
    other="Another reason",
)
TECHNIQUE = code_list(
    "technique",
    strip="Strip harvest",
    follicular_unit_excision="Follicular unit excision",
    combined="Both in one session",
)
DONOR_SOURCE = code_list("donor_source", scalp="Scalp", beard="Beard", body="Body")
DONOR_CLOSURE = code_list(
    "donor_closure",
    trichophytic_lower_edge="Trichophytic, lower edge trimmed",
    trichophytic_upper_edge="Trichophytic, upper edge trimmed",
    plain="Plain closure",
    not_applicable="No strip wound",
)
ZONE = code_list(
    "zone",
    hairline="Hairline",
    frontal="Frontal scalp",
    mid_scalp="Mid-scalp",
    vertex="Vertex (crown)",
    temples="Temples",
    eyebrow="Eyebrow",
    beard="Beard",
    scar="A scar",
    other="Another area",
)
SCALP_ZONES = ("hairline", "frontal", "mid_scalp", "vertex", "temples")
HOLDING_SOLUTION = code_list(
    "holding_solution",
    saline="Saline",
    lactated_ringer="Lactated Ringer's solution",
    tissue_storage_solution="Tissue storage solution",
    plasma_based="Plasma-based",
    other="Another solution",
)
BLEEDING_RISK_MEDICINES = code_list(
    "bleeding_risk_medicines",
    none_taken="None taken",
    stopped_with_prescriber="Stopped in agreement with the prescriber",
    continued="Continued",
    not_reviewed="Not reviewed",
)
TESTS_DONE = code_list(
    "tests_done",
    hepatitis_b="Hepatitis B test done",
    hepatitis_c="Hepatitis C test done",
    hiv="HIV test done",
    blood_count="Blood count done",
    clotting="Clotting test done",
    ferritin="Ferritin measured",
    thyroid="Thyroid test done",
    none="No test done",
)
CONTACT_MODE = code_list(
    "contact_mode",
    in_person="In person",
    phone="By telephone",
    video="By video",
    photographs="By photographs",
)
VISIT_REASON = code_list(
    "visit_reason",
    scheduled="A scheduled contact",
    symptom="A symptom prompted it",
    session="A further session prompted it",
    other="Another reason",
)
SENSATION_BEFORE = code_list(
    "sensation_before", normal="Normal", reduced="Reduced already before surgery", not_tested="Not tested"
)
SWELLING = code_list(
    "swelling",
    none="None",
    mild="Forehead",
    moderate="Eyelids",
    severe="Eyelids swollen enough to impair sight",
)
INFECTION = code_list("infection", none="None", superficial="Superficial", deep="Deep")
NUMBNESS = code_list("numbness", none="Normal sensation", reduced="Reduced sensation", absent_sensation="No sensation")
COMPLICATION_KIND = code_list(
    "complication_kind",
    swelling="Swelling",
    periorbital_bruising="Bruised eyes",
    folliculitis="Folliculitis",
    infection="Infection",
    bleeding="Bleeding",
    necrosis="Tissue necrosis",
    effluvium_recipient="Shedding of native hair in the recipient area",
    effluvium_donor="Shedding in the donor area",
    donor_depletion="Donor depletion",
    numbness="Numbness",
    neuralgia="Neuralgia",
    chronic_pain="Chronic pain",
    wide_scar="Wide scar",
    hypertrophic_scar="Hypertrophic scar",
    keloid="Keloid",
    dehiscence="Wound dehiscence",
    haematoma="Haematoma",
    arteriovenous_fistula="Arteriovenous fistula",
    cyst="Cyst",
    anaesthetic_reaction="Reaction to an anaesthetic",
    syncope="Syncope",
    other="Another complication",
)
COMPLICATION_SEVERITY = code_list(
    "complication_severity",
    mild="No treatment needed",
    moderate="Treated as an outpatient",
    severe="Procedure, admission or lasting harm",
)
CLAVIEN_DINDO = code_list(
    "clavien_dindo",
    I="Grade I",
    II="Grade II",
    IIIa="Grade IIIa",
    IIIb="Grade IIIb",
    IVa="Grade IVa",
    IVb="Grade IVb",
    V="Grade V (death)",
)
TREATMENT = code_list(
    "treatment",
    none="None",
    compress="Compress",
    topical="Applied to the skin",
    oral_antibiotic="Antibiotic by mouth",
    drainage="Drainage",
    steroid="Steroid",
    procedure="Procedure",
    admission="Admission",
    other="Another treatment",
)
AREA_MARKING = code_list(
    "area_marking", tattoo="Tattooed corners", landmark_map="Map from landmarks", template="Template"
)
AREA_CHOICE = code_list(
    "area_choice",
    random="At random",
    densest="Where grafts are densest",
    thinnest="Where grafts are thinnest",
    convenience="Where it was convenient",
)
COUNT_METHOD = code_list(
    "count_method",
    trichoscopy="Trichoscopy",
    macro_photograph="Macro photograph",
    direct="Direct count",
)

ALL: tuple[CodeList, ...] = tuple(value for value in list(globals().values()) if isinstance(value, CodeList))
