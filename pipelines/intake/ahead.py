"""The next of several things made while one is worked on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Made = TypeVar("Made")


def made_ahead(things: Iterable[Made]) -> Iterator[Made]:
    """The same things in their order; each is made in a thread of its own while the one before it is worked on.

    Reading, looking at and staging a file are done by libraries that let other threads work meanwhile.
    Raises: what making a thing raises, in its place.
    """
    left, none_left = iter(things), object()
    with ThreadPoolExecutor(1) as maker:
        making = maker.submit(next, left, none_left)
        while (thing := making.result()) is not none_left:
            making = maker.submit(next, left, none_left)
            yield thing  # type: ignore[misc]
