"""Columns that say the same of several things side by side: complication 1, 2, 3; day 7 and month 12; area A and B."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..model import LABEL

_UNITS = {
    "d": r"days?|tage?|jours?|d[ií]as?|d|t|j",
    "w": r"weeks?|wochen?|semaines?|semanas?|wk|w",
    "m": r"months?|monate?|mois|mes(?:es)?|mon|mo|m",
    "y": r"years?|jahre?|an(?:s|n[ée]es?)?|a[nñ]os?|yr|y",
}
_LONG_UNIT = "|".join(f"(?P<{key}>{pattern})" for key, pattern in _UNITS.items())
_TIME = re.compile(rf"(?<![^\W_])(?:{_LONG_UNIT})[ ._-]{{0,2}}(?P<count>[0-9]{{1,3}})(?![^\W_])", re.IGNORECASE)
_TIME_AFTER = re.compile(
    r"(?<![^\W_])(?P<count>[0-9]{1,3})\.?[ _-]?(?:"
    + "|".join(f"(?P<{key}>{'|'.join(p for p in pattern.split('|') if len(p) > 1)})" for key, pattern in _UNITS.items())
    + r")(?![^\W_])",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"(?<![0-9.,])[1-9](?![0-9]|[.,][0-9])")
_LETTER = re.compile(r"(?<![^\W_])[A-H](?![^\W_])")


@dataclass(frozen=True)
class LabelGroup:
    """Columns that differ by a label alone.

    kind: time, number or letter. labels: as they stand in the names, in the order of the columns.
    columns: name with {label} in the label's place, to the column of each label that has one.
    """

    kind: str
    labels: tuple[str, ...]
    columns: dict[str, dict[str, str]]

    @property
    def names(self) -> tuple[str, ...]:
        """The columns of all labels."""
        return tuple(name for by_label in self.columns.values() for name in by_label.values())


def label_groups(names: Sequence[str]) -> list[LabelGroup]:
    """The groups among the columns: times first, then letters and numbers, each column in one group at most."""
    left = list(names)
    groups = []
    for kind in ("time", "letter", "number"):
        found: dict[str, dict[str, str]] = {}
        for name in left:
            for label, template in _splits(name, kind):
                found.setdefault(template, {}).setdefault(label, name)
        templates = _consistent(found, kind)
        if templates:
            labels = tuple(dict.fromkeys(label for by_label in templates.values() for label in by_label))
            groups.append(LabelGroup(kind, labels, templates))
            taken = {name for by_label in templates.values() for name in by_label.values()}
            left = [name for name in left if name not in taken]
    return groups


def _splits(name: str, kind: str) -> Iterator[tuple[str, str]]:
    patterns = {"time": (_TIME, _TIME_AFTER), "letter": (_LETTER,), "number": (_NUMBER,)}[kind]
    for pattern in patterns:
        for match in pattern.finditer(name):
            rest = name[: match.start()] + name[match.end() :]
            if LABEL not in name and re.search(r"[^\W\d_]", rest):
                yield match[0], name[: match.start()] + LABEL + name[match.end() :]


def _consistent(found: dict[str, dict[str, str]], kind: str) -> dict[str, dict[str, str]]:
    """Templates with two labels or more; for times, which are plain to see, any where two columns have one."""
    enough = 1 if kind == "time" and len({name for columns in found.values() for name in columns.values()}) > 1 else 2
    chosen: dict[str, dict[str, str]] = {}
    taken: set[str] = set()
    for template, by_label in sorted(found.items(), key=lambda item: -len(item[1])):
        if len(by_label) >= enough and taken.isdisjoint(by_label.values()):
            chosen[template] = by_label
            taken.update(by_label.values())
    return {template: chosen[template] for template in found if template in chosen}


def time_of_label(label: str) -> str | None:
    """A label as a time of `registry.durations`; None where it is none.

    >>> time_of_label("Tag 7"), time_of_label("M12"), time_of_label("2 weeks"), time_of_label("A")
    ('7d', '12m', '14d', None)
    """
    match = _TIME.fullmatch(label) or _TIME_AFTER.fullmatch(label)
    if match is None:
        return None
    unit = next(key for key in _UNITS if match[key])
    count = int(match["count"])
    return f"{7 * count}d" if unit == "w" else f"{count}{unit}"
