"""Who came back when expected, who is due now, and the list by which a site calls them."""

from .contact_list import contact_list
from .milestones import (
    FOLLOW_UP_MILESTONES,
    MILESTONE_CONTACT,
    contacts_of_groups,
    milestone_contacts,
    quarter_contacts,
)
from .visits_due import DueCounts, visits_due, visits_due_counts

__all__ = [
    "FOLLOW_UP_MILESTONES",
    "MILESTONE_CONTACT",
    "DueCounts",
    "contact_list",
    "contacts_of_groups",
    "milestone_contacts",
    "quarter_contacts",
    "visits_due",
    "visits_due_counts",
]
