"""Programs that carry out acts and commands in forked children."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any


class Program:
    """A program that answers orders, one line of JSON each."""

    def __init__(self, module: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", f"tests.faults.{module}"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )

    def order(self, **order: Any) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()

    def answer(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        found: dict[str, Any] = json.loads(self.process.stdout.readline())
        return found


class Killer:
    """Carries out acts and kills them."""

    def __init__(self, program: Program) -> None:
        self.program = program

    def order(self, act: str, folder: Path, what: str, since: str, after_seconds: float | None) -> dict[str, Any]:
        self.program.order(act=act, folder=str(folder), what=what, since=since, after_seconds=after_seconds)
        answer = self.program.answer()
        assert answer["killed"]
        return answer


@dataclass(frozen=True)
class Answer:
    """What a command answered."""

    exit: int
    out: str
    err: str


class Commander:
    """Carries out commands of graftledger."""

    def __init__(self, program: Program) -> None:
        self.program = program

    def begin(self, *arguments: str | Path, largest_file_bytes: int | None = None) -> None:
        self.program.order(arguments=[str(part) for part in arguments], largest_file_bytes=largest_file_bytes)

    def end(self) -> Answer:
        return Answer(**self.program.answer())

    def __call__(self, *arguments: str | Path, largest_file_bytes: int | None = None) -> Answer:
        self.begin(*arguments, largest_file_bytes=largest_file_bytes)
        return self.end()
