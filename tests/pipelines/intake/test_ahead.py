"""The next thing is made while one is worked on."""

from __future__ import annotations

from collections.abc import Iterator
from threading import Event

import pytest

from pipelines.intake.ahead import made_ahead


def test_things_come_in_their_order_and_none_is_lost() -> None:
    """Also what is false or None."""
    things = [0, None, "", [], 1]
    assert list(made_ahead(things)) == things
    assert list(made_ahead([])) == []


def test_the_next_is_made_while_one_is_worked_on_and_no_more_than_that() -> None:
    """By hand: with the first in hand the second is made; the third is not before the second is in hand."""
    made = [Event(), Event(), Event()]

    def things() -> Iterator[int]:
        for number, event in enumerate(made):
            event.set()
            yield number

    ahead = made_ahead(things())
    assert next(ahead) == 0
    assert made[1].wait(10)
    assert not made[2].wait(0.1)
    assert next(ahead) == 1
    assert made[2].wait(10)


def test_an_error_comes_in_its_place() -> None:
    def things() -> Iterator[int]:
        yield 1
        raise ValueError("the second")

    ahead = made_ahead(things())
    assert next(ahead) == 1
    with pytest.raises(ValueError, match="the second"):
        next(ahead)
