"""What each measure of the audit counts, in words taken from the definition of the records where it has them."""

from __future__ import annotations

from pipelines.follow_up import FOLLOW_UP_MILESTONES, MILESTONE_CONTACT
from pipelines.measures import FOLLOW_UP_COMPLETENESS, GRAFT_SURVIVAL, PRESENT_MEASURES, WINDOW_MEASURES
from pipelines.process_labels import ALLERGIES_RECORDED, CONTACTS, MEDICINES_REVIEWED, SUTURES_ON_TIME, TESTS
from registry.definition import record_type
from registry.milestones import DAY_7, Milestone


def measure_definitions(mature_window: tuple[int, int]) -> dict[str, str]:
    """By measure. An audit keeps them beside its figures, so that the next one can tell what was defined anew.

    mature_window: first and last day of a mature graft count.
    """
    visit, session = record_type("visit"), record_type("session")

    def meaning(field_name: str) -> str:
        return visit.field(field_name).meaning

    def when(measure: str) -> str:
        """When the event counts, and which contact tells."""
        window, closes = next((known.window, known.closes) for known in WINDOW_MEASURES if known.name == measure)
        return f"Counts up to day {window}, told by the contacts up to the first on day {window} to {closes}."

    severe = _code("visit", "swelling_since_last", "severe")
    severe = f"Severe: {severe[0].lower()}{severe[1:]}."
    months = [milestone for measure in PRESENT_MEASURES[:1] for milestone in measure.milestones]
    return {
        "severe_swelling": f"{meaning('swelling_since_last')} {severe} {when('severe_swelling')}",
        "bruised_eyes": f"{meaning('periorbital_bruising_since_last')} {when('bruised_eyes')}",
        "folliculitis": f"{meaning('folliculitis_since_last')} {when('folliculitis')}",
        "infection": f"{meaning('infection_since_last')} Superficial or deep. {when('infection')}",
        "numbness": f"{meaning('numbness_donor')} {meaning('numbness_recipient')} Reduced or absent counts as numb. "
        + " ".join(
            f"{each.label.capitalize()} takes the nearest contact on day {each.opens} to {each.closes}."
            for each in months
        ),
        GRAFT_SURVIVAL: f"Growing grafts out of placed grafts, over all areas counted on day {mature_window[0]} "
        f"to {mature_window[1]}.",
        MILESTONE_CONTACT: "Any contact in the days that serve a milestone, of sessions for which these days have "
        f"passed: {'; '.join(f'{each.label} {_days(each)}' for each in FOLLOW_UP_MILESTONES)}.",
        FOLLOW_UP_COMPLETENESS: "Days over which contacts tell of a next session, of the days there could have been "
        "(Clark’s index).",
        MEDICINES_REVIEWED: f"{session.field('bleeding_risk_medicines').meaning} Every answer but “not reviewed” "
        "counts.",
        ALLERGIES_RECORDED: session.field("allergies_recorded").meaning,
        **{measure: f"{code.meaning} before surgery; never its result." for measure, code in TESTS.items()},
        **{measure: f"Any contact on {_days(each)}." for measure, each in CONTACTS.items()},
        SUTURES_ON_TIME: f"Of wounds of a strip with the day of suture removal recorded: out on {_days(DAY_7)}.",
    }


def _days(milestone: Milestone) -> str:
    return f"day {milestone.opens} to {milestone.closes}"


def _code(record: str, field_name: str, name: str) -> str:
    codes = record_type(record).field(field_name).codes
    assert codes is not None
    return next(code.meaning for code in codes.codes if code.name == name)
