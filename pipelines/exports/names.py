"""Names of columns in programs that allow few letters: SAS transport files 8, Stata 29."""

from __future__ import annotations

import re
from collections.abc import Sequence

SAS_LETTERS, STATA_LETTERS = 8, 29
"""Stata allows 32, but pyreadstat numbers the label sets and adds the number to the name."""


def sas_names(names: Sequence[str]) -> dict[str, str]:
    """A name of at most 8 capital letters and digits for each, no two alike; the order decides who keeps which.

    >>> sas_names(["sex", "grafts_total", "grafts_transected", "grafts_transected_later"])
    {'sex': 'SEX', 'grafts_total': 'GRFTSTTL', 'grafts_transected': 'GRFTSTRN', 'grafts_transected_later': 'GRFTSTR2'}
    """

    def squeezed(name: str) -> str:
        plain = name.replace("_", "")
        return plain if len(plain) <= SAS_LETTERS else plain[0] + re.sub("[aeiou]", "", plain[1:])

    return {name: short.upper() for name, short in _shortened(names, squeezed, SAS_LETTERS).items()}


def stata_names(names: Sequence[str]) -> dict[str, str]:
    """A name of at most 29 letters for each, no two alike."""
    return _shortened(names, lambda name: name, STATA_LETTERS)


def _shortened(names: Sequence[str], squeeze: object, letters: int) -> dict[str, str]:
    assert callable(squeeze)
    taken: set[str] = set()
    found = {}
    for name in names:
        whole = squeeze(name)
        short, number = whole[:letters], 2
        while short in taken:
            tail = str(number)
            short, number = whole[: letters - len(tail)] + tail, number + 1
        taken.add(short)
        found[name] = short
    return found
