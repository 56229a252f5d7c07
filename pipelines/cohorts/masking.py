"""The flow into a cohort as somebody may see it who may not see small numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .members import FlowStep, rounded_flow

FLOOR, STEP = 11, 10
"""Counts below the floor are not shown, others are rounded to the step: common practice, no source."""


@dataclass(frozen=True)
class MaskedStep:
    """One step. excluded, remaining: to the nearest 10; None where fewer than 11 remain."""

    name: str
    excluded: int | None
    remaining: int | None


def masked_flow(flow: Sequence[FlowStep]) -> tuple[MaskedStep, ...]:
    """The steps with counts rounded, and none once fewer than the floor remain.

    Who was left out is the difference of two rounded counts, so it gives no exact one away. It does not protect
    against somebody who asks very many overlapping questions: those stand in the log of access.

    >>> [step.remaining for step in masked_flow([FlowStep("a", 0, 144), FlowStep("b", 133, 11), FlowStep("c", 1, 10)])]
    [140, 10, None]
    """
    shown = rounded_flow(flow, STEP)
    return tuple(
        MaskedStep(step.name, near.excluded, near.remaining)
        if step.remaining >= FLOOR
        else MaskedStep(step.name, None, None)
        for step, near in zip(flow, shown, strict=True)
    )
