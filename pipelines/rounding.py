"""Counts rounded for tables that leave the practice."""

from __future__ import annotations

from registry.errors import GraftledgerError


def rounded(count: int, to: int) -> int:
    """The nearest multiple; halves go up. to: 0 or 1 leaves the count as it is.

    >>> [rounded(n, 5) for n in (0, 2, 3, 7, 8)]
    [0, 0, 5, 5, 10]
    """
    return (2 * count + to) // (2 * to) * to if to > 1 else count


def check_rounding(to: int) -> None:
    """Refuse what no count can be rounded to. Raises: GraftledgerError."""
    if to < 0:
        raise GraftledgerError("Counts can be rounded to 2 or more, such as --round-to 5; 0 leaves them as they are.")


def rounding_note(to: int) -> str:
    """What the rounding protects, and what it does not."""
    return (
        f"Counts are rounded to the nearest {to}, totals and shares are made of the rounded ones. So a count alone is "
        f"known only to lie among {to} numbers, and a patient more or less between two tables mostly does not show. "
        "It is no chance rounding: whoever adds up the values of a field and sets them beside the size of its group, "
        "or has other tables of the same patients, may narrow a count further. It hides nothing by itself."
    )
