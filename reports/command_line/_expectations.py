"""The command that holds what a practice tells its patients against its records."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Annotated

import typer

from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, note, say
from ._figures import cautions
from ._progress import progress_line
from ._setup import split_codes

if TYPE_CHECKING:
    from pipelines.expectations import Judgement


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
    format_: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TEXT,
    as_of_intake: AsOfIntakeOption = None,
    registry: RegistryOption = Path("."),
) -> None:
    """Say which statements to patients the records support, which not, and what cannot be told yet."""
    from pipelines import MEASURE_LABELS, figure_meta
    from pipelines.expectations import FILE, judge_all, load_statements, starter_text

    if starter:
        say(starter_text().rstrip("\n"))
        return
    own = registry / FILE
    path = file if file is not None else own if own.exists() else None
    statements = load_statements(path)
    fields = split_codes(by)
    with open_registry(registry, known_measures=tuple(MEASURE_LABELS), as_of_intake=as_of_intake) as opened:
        with progress_line() as progress:
            progress("Holding statements against the records")
            judged = judge_all(opened, statements, by=fields)
        meta = figure_meta(opened, analysis="expectations", by=fields)
    if format_ is Format.JSON:
        rows = [
            {
                "name": found.statement.name,
                "says": found.statement.says,
                "holds_from": found.statement.low,
                "holds_to": found.statement.high,
                "verdict": found.verdict.value,
                "cases_needed": found.cases_needed,
                "figure": found.figure.as_dict(),
            }
            for found in judged
        ]
        say(json.dumps({"meta": meta, "expectations": rows}, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in text_lines(judged):
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


def text_lines(judged: tuple[Judgement, ...]) -> list[str]:
    """The statements with their verdicts, in 80 columns."""
    from ..labels import group_label
    from ..wording import interval_words, percent, whole

    lines: list[str] = []
    said = ""
    for found in judged:
        statement, figure = found.statement, found.figure
        if statement.name != said:
            lines += ["", *wrap(statement.says, 80)] if said else wrap(statement.says, 80)
            said = statement.name
        where = f"{group_label(figure)}: " if figure.group else ""
        if figure.estimate is None or "too_few" in figure.flags:
            seen = f"{whole(figure.n)} {figure.n_unit}, too few"
        else:
            seen = f"{percent(figure.estimate)} ({interval_words(figure)}) of {whole(figure.n)} {figure.n_unit}"
        words = f"{where}{found.verdict.value.upper()}: {seen}."
        if found.cases_needed is not None and found.cases_needed > figure.n:
            words += f" About {whole(found.cases_needed)} {figure.n_unit} would settle it, if it is true."
        lines += wrap(words, 80, initial_indent="  ", subsequent_indent="      ")
    return lines
