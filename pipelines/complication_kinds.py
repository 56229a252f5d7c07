"""Every kind of complication: who tells of it, how severe it may be, and within which days: written once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, count

from registry.definition.codes import COMPLICATION_KIND, COMPLICATION_SEVERITY
from registry.durations import parse_time, time_label
from registry.errors import GraftledgerError, nearest
from registry.milestones import DAY_7, MILESTONES, yearly

from .measures import WINDOW_MEASURES

ANY, MODERATE, SEVERE = "any", "moderate", "severe"
SEVERITIES: Mapping[str, int] = dict(zip((ANY, MODERATE, SEVERE), range(1, 4), strict=True))
"""Severity or worse, and the place of the mildest code of a complication record that reaches it."""
SEVERITY_LABELS: Mapping[str, str] = {ANY: "any severity", MODERATE: "moderate or worse", SEVERE: "severe"}
SEVERITY_CODES: tuple[str, ...] = COMPLICATION_SEVERITY.names

RECORDS = "records"
"""The class of kinds known from complication records alone."""
EVER = "ever"
NO_END = 100_000
"""Stands for a window without an end. Later than any day since a session."""


@dataclass(frozen=True)
class ItemAnswer:
    """SQL predicates over a visit: was it told of the time since the last contact, and was it seen at the visit?"""

    positive: str
    seen: str


@dataclass(frozen=True)
class VisitItem:
    """A kind that visits ask about. answered: SQL predicate: was "since the last contact" answered?

    by_severity: what tells of it, by severity; severities that are not named are known from records alone.
    own_degrees: the item has degrees of another scale than records, so a record tells of the mildest severity alone.
    """

    kind: str
    answered: str
    by_severity: Mapping[str, ItemAnswer]
    own_degrees: bool = False


@dataclass(frozen=True)
class Window:
    """Days since a session in which an event counts. days: the last of them; None for no end."""

    days: int | None

    @property
    def last_day(self) -> int:
        return NO_END if self.days is None else self.days

    @property
    def closes_from(self) -> int:
        """First day on which a contact covers the whole window; without an end, the first after the session."""
        return 1 if self.days is None else self.days

    @property
    def closes_by(self) -> int:
        """Last day on which a contact may close the window: the close of the first milestone due on or after its end.

        >>> Window(7).closes_by, Window(30).closes_by, Window(365).closes_by, Window(400).closes_by
        (14, 120, 450, 820)
        """
        if self.days is None:
            return NO_END
        milestones = chain(MILESTONES, (yearly(year) for year in count(2)))
        return next(milestone.closes for milestone in milestones if milestone.due >= self.last_day)

    @property
    def due(self) -> int:
        """The day by which a session is due to be told of."""
        return DAY_7.closes if self.days is None else self.closes_by

    @property
    def name(self) -> str:
        return EVER if self.days is None else f"0-{self.days}"

    @property
    def label(self) -> str:
        """In words.

        >>> Window(30).label, Window(365).label, Window(None).label
        ('within 1 month', 'within 1 year', 'ever')
        """
        return EVER if self.days is None else f"within {time_label(self.days)}"


@dataclass(frozen=True)
class ComplicationMeasure:
    """The share after which a kind happened, of a severity or worse; and the measures told beside it."""

    kind: str
    severity: str

    @property
    def name(self) -> str:
        return f"complication_{self.kind}_{self.severity}"

    @property
    def outside(self) -> str:
        """Events known where the whole window is not: counted, not divided."""
        return f"{self.name}_outside"

    @property
    def straddling(self) -> str:
        """Events told by a closing contact later than the window's end, which may have fallen after it."""
        return f"{self.name}_straddling"

    @property
    def at_least(self) -> str:
        return f"{self.name}_at_least"

    @property
    def at_most(self) -> str:
        return f"{self.name}_at_most"

    @property
    def weighted(self) -> str:
        return f"{self.name}_weighted"

    @property
    def lightest(self) -> str:
        return f"{self.name}_lightest_weight"

    @property
    def heaviest(self) -> str:
        return f"{self.name}_heaviest_weight"

    @property
    def effective(self) -> str:
        """Effective share of those assessed, after weights."""
        return f"{self.name}_effective_share"

    @property
    def roles(self) -> dict[str, str]:
        """Every measure told of it, and what that says."""
        return {
            self.name: "those assessed",
            self.outside: "known outside the denominator",
            self.straddling: "counted, but perhaps after the window",
            self.at_least: "if none of those missing had it",
            self.at_most: "if all of those missing had it",
            self.weighted: "weighted for those missing",
            self.lightest: "lightest weight",
            self.heaviest: "heaviest weight",
            self.effective: "effective share of those assessed",
        }

    @property
    def label(self) -> str:
        severity = "" if self.severity == ANY else f", {SEVERITY_LABELS[self.severity]}"
        source = ", as a complication record" if self.kind in _MEASURED_AT_VISITS else ""
        return f"{_KIND_LABELS[self.kind]}{source}{severity}"


_MEASURED_AT_VISITS = ("numbness", "wide_scar")
"""Kinds of which visits hold a finding that is no part of an incidence: few are ever written down as complications."""
_KIND_LABELS = {code.name: code.meaning for code in COMPLICATION_KIND.codes}
KINDS: tuple[str, ...] = COMPLICATION_KIND.names

_SWELLING = "swelling"
_SEVERE_SWELLING = next(window for window in WINDOW_MEASURES if window.name == "severe_swelling")

ITEMS: Mapping[str, VisitItem] = {
    _SWELLING: VisitItem(
        _SWELLING,
        _SEVERE_SWELLING.answered,
        {
            ANY: ItemAnswer("swelling_since_last <> 'none'", "swelling_now <> 'none'"),
            MODERATE: ItemAnswer(
                "swelling_since_last in ('moderate', 'severe')", "swelling_now in ('moderate', 'severe')"
            ),
            SEVERE: ItemAnswer(_SEVERE_SWELLING.positive, _SEVERE_SWELLING.seen),
        },
        own_degrees=True,
    ),
    **{
        window.kind: VisitItem(window.kind, window.answered, {ANY: ItemAnswer(window.positive, window.seen)})
        for window in WINDOW_MEASURES
        if window.kind
    },
}
"""Kinds with an item "since the last contact". How severe bruising, folliculitis and infection were is known from
records alone, since their severity is what it took to treat. Numbness has no such item: what visits find of it is read
as a duration (`durations`), and only records tell of it here."""

ASSESSED: Mapping[str, str] = {kind: f"complication_{kind}_assessed" for kind in (*ITEMS, RECORDS)}
"""Measures of the share of sessions due of which it can be told, by class of kinds."""

DEFAULT_WINDOWS: tuple[Window, ...] = (Window(7), Window(30), Window(parse_time("12m")), Window(None))
"""Common practice, no source."""

MEASURE_OF: Mapping[str, ComplicationMeasure] = {
    name: measure
    for kind in KINDS
    for severity in SEVERITIES
    for measure in (ComplicationMeasure(kind, severity),)
    for name in measure.roles
}
"""What each measure tells of."""

COMPLICATION_LABELS: Mapping[str, str] = {
    **{
        name: measure.label if name == measure.name else f"{measure.label}: {measure.roles[name]}"
        for name, measure in MEASURE_OF.items()
    },
    **{
        name: "Kinds known from records: assessed, of those due"
        if kind == RECORDS
        else f"{_KIND_LABELS[kind]}: assessed, of those due"
        for kind, name in ASSESSED.items()
    },
}
"""Every measure of complications, and how to say it."""


def class_of(kind: str) -> str:
    """Kinds that share a denominator: one with an item is a class of its own."""
    return kind if kind in ITEMS else RECORDS


def checked_kinds(names: Sequence[str]) -> tuple[str, ...]:
    """The kinds of those names, each once; all of them for none or `all`. Hyphens stand for underscores.

    Raises: GraftledgerError for an unknown name (naming the nearest).

    >>> checked_kinds(["wide-scar", "infection", "wide_scar"])
    ('wide_scar', 'infection')
    """
    wanted = [name.replace("-", "_") for name in names]
    if not wanted or wanted == ["all"]:
        return KINDS
    for name in wanted:
        if name not in KINDS:
            raise GraftledgerError(f"There is no kind of complication '{name}'. {nearest(name, list(KINDS))}")
    return tuple(dict.fromkeys(wanted))


def checked_severities(names: Sequence[str]) -> tuple[str, ...]:
    """The severities of those names; any severity for none.

    Raises: GraftledgerError for an unknown name (naming the nearest).
    """
    for name in names:
        if name not in SEVERITIES:
            raise GraftledgerError(f"There is no severity '{name}'. {nearest(name, list(SEVERITIES))}")
    return tuple(dict.fromkeys(names)) or (ANY,)


def parse_window(text: str) -> Window:
    """A window written as a time, or the word `ever`.

    Raises: GraftledgerError where it is neither, or no day long.

    >>> parse_window("30d").days, parse_window("ever").name
    (30, 'ever')
    """
    if text.strip() == EVER:
        return Window(None)
    days = parse_time(text)
    if days < 1:
        raise GraftledgerError("A window is at least one day long, such as 7d, or the word ever.")
    return Window(days)
