"""Names of the temporary tables of a delivery, one of each a record type."""

from __future__ import annotations

from registry.definition import RecordType

RETURNED = -1
"""File id of rows held back before that are judged again."""

SENT = "sent"
"""The files of the delivery: `file_id`, `file_name`, `sheet`, `sha256`, `mapping_digest`, `record_type`, and
`was_sent_before`: an earlier intake took it in, byte for byte."""

ALIAS = "alias"
"""Keys that were merged: `other_key`, and the `kept_key` it is read as."""

BARRED = "barred"
"""Keys of which nothing is taken in: `record_type`, `key`, and the `rule` that says why."""

CLAIM = "claim"
"""Which row of the delivery stands for which open entry: `held_back_id`, `record_type`, `row_id`."""


def staged(record: RecordType) -> str:
    """All rows as text: `row_id` unique within it, `file_id`, `row_number`, each field, and what is known beside them.

    held_back_id: the entry of a row that was held back before; null for a row of a file.
    claimed: numbers of entries that the row of a file says it corrects.
    unmapped: names of the fields whose value the mapping could not read.
    """
    return f"staged_{record.name}"


def typed(record: RecordType) -> str:
    """The rows as typed values: the fields, `content`, `standing`, `same_as` and `key_is_known`; `row_id`, `file_id`,
    `row_number` and `held_back_id` as `staged`.

    content: hash of the canonical text.
    standing: `unchanged` where the registry holds the row as it is, `copy` where an earlier row of the delivery has
        the same key and content (its row_id is `same_as`), else `candidate`.
    key_is_known: whether the registry holds the row's key; then a candidate is a correction.
    """
    return f"typed_{record.name}"


def candidate(record: RecordType) -> str:
    """The text of the candidates: as `staged`."""
    return f"candidate_{record.name}"


def row_rules(record: RecordType) -> str:
    """`row_id` of each candidate and a boolean column a check that looks at a row, its key and its parent."""
    return f"row_rules_{record.name}"


def sibling_rules(record: RecordType) -> str:
    """The same for rules across siblings, for the candidates that nothing else has held back."""
    return f"sibling_rules_{record.name}"


def verdict(record: RecordType) -> str:
    """What becomes of each row: `row_id`, `file_id`, `row_number`, `held_back_id`, `same_as`, `fate`, `waits`.

    fate: `loaded`, `corrected`, `unchanged`, `held_back` or `refused`.
    waits: held back for nothing but a parent that is not there.
    """
    return f"verdict_{record.name}"


def good(record: RecordType) -> str:
    """Rows to be written: `row_id`, the fields, `content` and `key_is_known`."""
    return f"good_{record.name}"


def held(record: RecordType) -> str:
    """Rows held back or refused: `row_id` and the fields."""
    return f"held_{record.name}"
