"""What the words of the report mean, taken from the definition of the records where it has them."""

from __future__ import annotations

from pipelines import MEASURE_LABELS, NOT_COUNTED_REASONS
from pipelines.measures import PRESENT_MEASURES, WINDOW_MEASURES
from registry.definition import record_type
from registry.milestones import MATURE_COUNT_FROM, MATURE_COUNT_TO, MONTH_6, MONTH_12

from ... import wording
from ...layout import Section, capitalised
from .._data import AuditData

_REASONS = {
    "not_due": "the days in which a closing contact may fall had not passed by the end of the quarter, or of the "
    "site's complete records",
    "died": "the patient died before the window ended",
    "not_reached": "the patient could not be reached, or left care, before the window ended",
    "missed_visit": "there was no contact when one was due",
    "item_empty": "there was a contact, but the question was left open at it or at one before it",
    "operated_again": "a further session began before the window ended, so that what followed cannot be told apart",
    "no_consent": "the consent does not cover this use",
    "held_back": "the record was held back at intake",
    "no_declaration": "the site has not declared up to when its records are complete",
    "no_start_date": "no session here has a date known to the day, so that time has no beginning",
    "not_first_here": "the first surgery was not at this practice",
    "enrolled_late": "the patient was enrolled after observation had ended",
    "had_one_before": "the patient had had a next session elsewhere before enrolment",
    "enrolled_for_session": "the patient enrolled for a session, so that those without one were not seen",
    "present_before": "it was there before surgery already, so that the session cannot be told to have caused it",
    "dates_shifted": "the site moved all dates of the patient, which bars analyses by calendar time",
    "covariate_missing": "an answer that a model takes is not known for the patient",
    "not_counted": "for a reason that has no name of its own",
}
"""What each reason means. A test holds the list against the reasons there are."""


def definitions(data: AuditData) -> Section:
    """Sessions, measures, and why a record is not counted."""
    visit = record_type("visit")

    def meaning(field_name: str) -> str:
        return visit.field(field_name).meaning

    def when(measure: str) -> str:
        """When the event counts, and which contact tells."""
        window, closes = next((known.window, known.closes) for known in WINDOW_MEASURES if known.name == measure)
        return f"Counts up to day {window}, told by the contacts up to the first on day {window} to {closes}."

    severe = _code("visit", "swelling_since_last", "severe")
    severe = f"Severe: {severe[0].lower()}{severe[1:]}."
    measures = {
        "severe_swelling": f"{meaning('swelling_since_last')} {severe} {when('severe_swelling')}",
        "bruised_eyes": f"{meaning('periorbital_bruising_since_last')} {when('bruised_eyes')}",
        "folliculitis": f"{meaning('folliculitis_since_last')} {when('folliculitis')}",
        "infection": f"{meaning('infection_since_last')} Superficial or deep. {when('infection')}",
        "numbness": f"{meaning('numbness_donor')} {meaning('numbness_recipient')} Reduced or absent counts as numb. "
        f"Month 6 takes the nearest contact on day {MONTH_6.opens} to {MONTH_6.closes}, month 12 that on day "
        f"{MONTH_12.opens} to {MONTH_12.closes}.",
        "graft_survival": f"Growing grafts out of placed grafts, over all areas counted on day {MATURE_COUNT_FROM} to "
        f"{MATURE_COUNT_TO}.",
    }
    shown = {figure.measure for figure in (*data.complications, *data.survival)}
    used = {
        reason
        for figure in (*data.here, *data.anywhere, *data.complications, *data.survival)
        for reason, count in figure.not_counted.items()
        if count
    }
    words = [
        ("Session", record_type("session").meaning),
        ("Here", "At any site of this practice."),
        ("Anywhere", "At this practice or outside it, as far as the practice learned of it."),
        ("Records complete to", record_type("site_period").field("records_complete_to").meaning),
        *(
            (MEASURE_LABELS[name], text)
            for name, text in measures.items()
            if name in shown or (name == "numbness" and shown & {measure.name for measure in PRESENT_MEASURES})
        ),
    ]
    return Section(
        "definitions",
        "Definitions",
        "definitions.html",
        {
            "words": words,
            "reasons": [
                (capitalised(wording.reason_words(name)), _REASONS[name])
                for name in NOT_COUNTED_REASONS
                if name in used
            ],
        },
    )


def _code(record: str, field_name: str, name: str) -> str:
    codes = record_type(record).field(field_name).codes
    assert codes is not None
    return next(code.meaning for code in codes.codes if code.name == name)
