"""Spans of time set side by side: the quarter, the one before it, the same quarter a year before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from .groups import GroupField


@dataclass(frozen=True)
class Span:
    """Days from first_on to last_on, under a name."""

    name: str
    first_on: date
    last_on: date

    def earlier(self, days: int) -> Span:
        """The span so many days before: of sessions whose days end in this one."""
        return Span(self.name, self.first_on - timedelta(days=days), self.last_on - timedelta(days=days))


def span_field(spans: tuple[Span, ...]) -> GroupField:
    """Sessions by the span in which they took place; those in none are `not recorded`."""
    cases = " ".join(
        f"when s.performed_on between date '{span.first_on.isoformat()}' and date '{span.last_on.isoformat()}' "
        f"then '{number}'"
        for number, span in enumerate(spans)
    )
    return GroupField("span", "Span", f"case {cases} end", tuple(str(number) for number in range(len(spans))), True)
