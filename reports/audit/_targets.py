"""Shares beside what the practice wants of them."""

from __future__ import annotations

from pipelines import Figure
from registry.settings import Settings, Target

from .. import wording


def target_of(figure: Figure, settings: Settings) -> Target | None:
    """The target that is meant for a figure, if there is one."""
    target = settings.targets.get(figure.measure)
    return target if target and target.at_days in (None, figure.at) else None


def misses(figure: Figure, target: Target) -> bool:
    """Whether the whole interval lies on the wrong side, so that chance alone is an unlikely reason.

    Where a figure rests on too few to read, or has no interval, nothing is said.
    """
    if "too_few" in figure.flags or figure.lower is None or figure.upper is None:
        return False
    return figure.lower > target.share if target.is_ceiling else figure.upper < target.share


def target_words(target: Target) -> str:
    """What is wanted.

    >>> target_words(Target(0.02, True, "meeting"))
    'at most 2.0%'
    """
    return f"at {'most' if target.is_ceiling else 'least'} {wording.percent(target.share)}"
