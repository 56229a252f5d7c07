"""What the words of the report mean, taken from the definition of the records where it has them."""

from __future__ import annotations

from pipelines import MEASURE_LABELS, NOT_COUNTED_REASONS
from pipelines.follow_up import MILESTONE_CONTACT
from pipelines.process_labels import TESTS
from registry.definition import record_type

from ... import wording
from ...layout import Section, capitalised
from .._data import AuditData
from .._definitions import measure_definitions

_LABELS = {**MEASURE_LABELS, MILESTONE_CONTACT: "Contact at a milestone"}

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
    """Sessions, measures, why a record is not counted, and what was defined anew since the last audit."""
    shown = {figure.measure for figure in data.figures} - set(TESTS)
    used = {
        reason
        for figure in (
            *data.here,
            *data.anywhere,
            *data.complications,
            *data.survival,
            *data.contacts,
            *data.process[0],
        )
        for reason, count in figure.not_counted.items()
        if count
    }
    definitions = measure_definitions(data.settings.mature_window)
    words = [
        ("Session", record_type("session").meaning),
        ("Here", "At any site of this practice."),
        ("Anywhere", "At this practice or outside it, as far as the practice learned of it."),
        ("Records complete to", record_type("site_period").field("records_complete_to").meaning),
        *((_LABELS[name], text) for name, text in definitions.items() if name in shown),
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
            "changes": data.changes,
            "changed": _changed(data),
        },
    )


def _changed(data: AuditData) -> list[str]:
    """What was defined or set otherwise in the audit before."""
    if data.changes is None:
        return []
    words = [
        f"{_LABELS.get(name, name)}: “{before or 'not defined'}” became “{after or 'not shown any more'}”"
        for name, (before, after) in data.changes.definitions.items()
    ]
    words += [
        f"{label}: {data.changes.meta[name][0]} became {data.changes.meta[name][1]}."
        for name, label in (("version", "Program"), ("settings", "Settings"))
        if name in data.changes.meta
    ]
    return words
