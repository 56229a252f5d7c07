"""The site-period record: what a site declares for a quarter."""

from __future__ import annotations

from ._field import Field, Kind, RecordType, Rule

SITE_PERIOD = RecordType(
    name="site_period",
    plural="site declarations",
    meaning="What a site declares for a quarter; it tells up to when its records are complete.",
    key=("site_code", "quarter"),
    fields=(
        Field("site_code", Kind.SITE, "Site", "The site that declares.", required=True),
        Field("quarter", Kind.QUARTER, "Quarter", "The quarter declared, written YYYY-Qn.", required=True),
        Field(
            "sessions_declared",
            Kind.INTEGER,
            "Sessions declared",
            "Sessions of the quarter by the theatre list, for case ascertainment.",
            low=0,
            high=100000,
            unit="sessions",
        ),
        Field(
            "records_complete_to",
            Kind.DATE,
            "Records complete to",
            "Day up to which every session at the site is in the registry: the end of observation for a next "
            "session here.",
            required=True,
        ),
    ),
    rules=(
        Rule(
            "complete_to_not_in_future",
            "site_period",
            ("records_complete_to",),
            "records_complete_to <= $today",
            "records cannot be complete to a day in the future",
            "Give the last day whose sessions are all sent.",
        ),
    ),
)
