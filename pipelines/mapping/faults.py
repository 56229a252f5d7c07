"""Why a row cannot be mapped: stable rule names, in words for the site. The row is held back, not lost."""

from __future__ import annotations

from registry.definition.row_checks import NO_SUCH_DATE, UNKNOWN_CODE, WRONG_FORMAT

AMBIGUOUS_VALUE = "ambiguous_value"
UNKNOWN_START = "unknown_start"
UNCLEAR_ORDER = "unclear_order"
NOTHING_AND_SOMETHING = "nothing_and_something"

REASONS: dict[str, tuple[str, str]] = {
    UNKNOWN_CODE: (
        "the mapping has no code for the answer",
        "Correct the answer, or add it to the codes of this column in the mapping.",
    ),
    WRONG_FORMAT: (
        "the value is not written as the mapping says",
        "Correct the value, or the format, unit or decimal sign of this column in the mapping.",
    ),
    NO_SUCH_DATE: ("there is no such day in the calendar", "Check day and month."),
    AMBIGUOUS_VALUE: (
        "the number can be read in two ways: its sign may stand for decimals or for thousands",
        "Write the number without a sign for thousands.",
    ),
    UNKNOWN_START: (
        "the days cannot be counted, since the date that they are counted from is not known",
        "Give that date, or send the record that has it too.",
    ),
    UNCLEAR_ORDER: (
        "two records have the same date, so that their order is not known",
        "Check the dates, or number the records in a column of their own.",
    ),
    NOTHING_AND_SOMETHING: (
        "one column says that there is nothing to record, another holds an answer",
        "Correct one of them.",
    ),
}
"""Rule to reason and remedy."""
