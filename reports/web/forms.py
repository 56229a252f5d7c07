"""The answers of a form whose fields are not known beforehand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Annotated

from fastapi import Depends, Request

from registry.errors import Fault, GraftledgerError

Answers = Mapping[str, tuple[str, ...]]


async def _answers(request: Request) -> Answers:
    form = await request.form()
    return gathered((name, value) for name, value in form.multi_items() if isinstance(value, str))


def gathered(pairs: Iterable[tuple[str, str]]) -> Answers:
    """Name to all answers under it, in their order."""
    found: dict[str, tuple[str, ...]] = {}
    for name, value in pairs:
        found[name] = (*found.get(name, ()), value)
    return found


AnswersGiven = Annotated[Answers, Depends(_answers)]
"""Type of a parameter that takes what a form sent."""


def first(answers: Answers, name: str) -> str:
    """The first answer under a name; empty where there is none."""
    return answers.get(name, ("",))[0].strip()


def day(answers: Answers, name: str, label: str) -> date | None:
    """A day of a form; None where it was left empty. Raises: GraftledgerError where it is no day."""
    text = first(answers, name)
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise GraftledgerError(Fault(f"{label} is no day.", field=name, mend="Write it as 2026-01-31.")) from None


def is_whole_number(text: str) -> bool:
    """Whether a text is a whole number as forms take it: one to nine digits and nothing else."""
    return text.isascii() and text.isdigit() and len(text) <= 9


def whole_number(answers: Answers, name: str, label: str) -> int | None:
    """A whole number of a form; None where it was left empty. Raises: GraftledgerError where it is none."""
    text = first(answers, name)
    if not text:
        return None
    if not is_whole_number(text):
        raise GraftledgerError(Fault(f"{label} is no whole number.", field=name, mend="Write digits alone."))
    return int(text)
