"""What happens to a row whose key the registry holds with other content: decided here, and nowhere else.

A row with the same content is settled before any check: it counts as unchanged. One with other content is held back,
so that no record changes without anyone deciding it.
"""

from __future__ import annotations

from registry.definition import RecordType
from registry.definition.row_checks import KNOWN_KEY_OTHER_CONTENT

from .checks import Check

COLUMN = "key_is_new"
SQL = "not key_is_known"


def known_key_check(record: RecordType) -> Check:
    """The registry does not hold the key of a candidate, whose content it does not hold."""
    return Check(
        KNOWN_KEY_OTHER_CONTENT,
        record.key[0],
        "ExpectColumnValuesToBeInSet",
        {"column": COLUMN, "value_set": [True]},
        "the registry holds this key with other content",
        "A record in the registry is not changed by sending it again. Check whether the key is right.",
    )
