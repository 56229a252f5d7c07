"""The command that holds what a practice tells its patients against its records."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from enum import StrEnum
from pathlib import Path
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import GraftledgerError
from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, note, say
from ._figures import cautions
from ._progress import progress_line
from ._setup import split_codes

if TYPE_CHECKING:
    from pipelines.expectations import Judgement


_MOST_YEARS = 30


class Format(StrEnum):
    """How judgements are printed."""

    TEXT = "text"
    JSON = "json"


@command("expectations")
def expectations(
    file: Annotated[
        Path | None,
        typer.Option("--file", metavar="FILE", help="The statements; expectations.toml of the registry if left out."),
    ] = None,
    starter: Annotated[bool, typer.Option("--starter", help="Print the starter list, to copy and change.")] = False,
    by: Annotated[str, typer.Option("--by", metavar="FIELD[,FIELD]", help="Judge by one or two fields.")] = "",
    over_years: Annotated[
        int, typer.Option("--over-years", metavar="N", help="Also as it stood at the end of each of N years before.")
    ] = 0,
    format_: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TEXT,
    as_of_intake: AsOfIntakeOption = None,
    registry: RegistryOption = Path("."),
) -> None:
    """Say which statements to patients the records support, which not, and what cannot be told yet."""
    from pipelines import MEASURE_LABELS, figure_meta
    from pipelines.expectations import FILE, judge_all, judge_over_years, load_statements, starter_text

    if starter:
        say(starter_text().rstrip("\n"))
        return
    own = registry / FILE
    path = file if file is not None else own if own.exists() else None
    statements = load_statements(path)
    fields = split_codes(by)
    if not 0 <= over_years <= _MOST_YEARS:
        raise GraftledgerError(f"--over-years takes 0 to {_MOST_YEARS}.")
    if over_years and (fields or as_of_intake is not None):
        raise GraftledgerError("--over-years goes neither with --by nor with --as-of-intake.")
    with open_registry(registry, known_measures=tuple(MEASURE_LABELS), as_of_intake=as_of_intake) as opened:
        with progress_line() as progress:
            progress("Holding statements against the records")
            earlier = judge_over_years(opened, statements, over_years) if over_years else {}
            judged = earlier.popitem()[1] if earlier else judge_all(opened, statements, by=fields)
        meta = figure_meta(opened, analysis="expectations", by=fields)
    if format_ is Format.JSON:
        rows = [_as_dict(found) for found in judged]
        rows += [{"as_of": day.isoformat(), **_as_dict(found)} for day, each in earlier.items() for found in each]
        say(json.dumps({"meta": meta, "expectations": rows}, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in text_lines(judged, earlier):
            say(line)
        if path is None:
            say()
            say(fill("These are the starter list: common practice, no source. Make it yours: --starter.", 80))
    note(
        fill(
            "A statement is judged by the 90% interval: supported where all of it lies inside what is said. Of twenty "
            "statements one may be misjudged by chance.",
            80,
        )
    )
    for caution in cautions(fields):
        note(fill(caution, 80))


def _as_dict(found: Judgement) -> dict[str, Any]:
    return {
        "name": found.statement.name,
        "says": found.statement.says,
        "holds_from": found.statement.low,
        "holds_to": found.statement.high,
        "verdict": found.verdict.value,
        "cases_needed": found.cases_needed,
        "figure": found.figure.as_dict(),
    }


def text_lines(judged: tuple[Judgement, ...], earlier: Mapping[date, tuple[Judgement, ...]] | None = None) -> list[str]:
    """The statements with their verdicts, in 80 columns; below each, how it stood on earlier days."""
    from ..expectations_table import seen_words
    from ..labels import group_label

    lines: list[str] = []
    said = ""
    for place, found in enumerate(judged):
        statement, figure = found.statement, found.figure
        if statement.name != said:
            lines += ["", *wrap(statement.says, 80)] if said else wrap(statement.says, 80)
            said = statement.name
        where = f"{group_label(figure)}: " if figure.group else ""
        words = f"{where}{found.verdict.value.upper()}: {seen_words(found)}"
        lines += wrap(words, 80, initial_indent="  ", subsequent_indent="      ")
        for day, then in (earlier or {}).items():
            words = f"{day}: {then[place].verdict.value}, {seen_words(then[place])}"
            lines += wrap(words, 80, initial_indent="    ", subsequent_indent="      ")
    return lines
