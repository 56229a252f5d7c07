"""The programs that carry out acts and commands in forked children."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.programs import Commander, Killer, Program


@pytest.fixture(scope="module")
def killer() -> Iterator[Killer]:
    program = Program("forked_acts")
    with program.process:
        yield Killer(program)


@pytest.fixture(scope="module")
def graftledger() -> Iterator[Commander]:
    program = Program("forked_commands")
    with program.process:
        yield Commander(program)


@pytest.fixture(scope="module")
def another() -> Iterator[Commander]:
    """A second one, for what happens at the same time."""
    program = Program("forked_commands")
    with program.process:
        yield Commander(program)
