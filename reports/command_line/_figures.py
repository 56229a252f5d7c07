"""The command that prints figures: as a table for the screen, as JSON or as CSV."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.durations import parse_time
from registry.errors import GraftledgerError, nearest
from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, erased_words, note, say
from ._setup import split_codes

if TYPE_CHECKING:
    from pipelines.figure import Figure

ANALYSES = ("time-to-next-session", "complications", "graft-survival")
SENSITIVITY = "sensitivity"


class Format(StrEnum):
    """How figures are printed."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"


@command("figures")
def figures(
    analysis: Annotated[str, typer.Argument(metavar="ANALYSIS", help=f"One of: {', '.join(ANALYSES)}.")],
    by: Annotated[str, typer.Option(metavar="FIELD[,FIELD]", help="Split by one or two fields.")] = "",
    at: Annotated[str, typer.Option(metavar="1y,2y,5y", help="Times since the session, for its analysis.")] = "",
    estimand: Annotated[str, typer.Option(metavar="here|anywhere", help="Where the next session counts.")] = "here",
    include_first_elsewhere: Annotated[
        str, typer.Option(metavar=SENSITIVITY, help="Show those first operated on elsewhere as their own groups.")
    ] = "",
    as_of: Annotated[str, typer.Option(metavar="DATE", help="Ignore what happened later.")] = "",
    format_: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TABLE,
    as_of_intake: AsOfIntakeOption = None,
    registry: RegistryOption = Path(),
) -> None:
    """Print the figures of one analysis."""
    if analysis not in ANALYSES:
        raise GraftledgerError(f"There is no analysis '{analysis}'. {nearest(analysis, list(ANALYSES))}")
    fields = split_codes(by)
    options: dict[str, Any] = {"by": fields, "as_of": _date(as_of)}
    if analysis == "time-to-next-session":
        if include_first_elsewhere not in ("", SENSITIVITY):
            raise GraftledgerError(f"--include-first-elsewhere takes the word {SENSITIVITY}.")
        options |= {"estimand": estimand, "first_here_only": not include_first_elsewhere}
        if at:
            options["at_days"] = sorted({parse_time(text) for text in split_codes(at)})
    elif at or estimand != "here" or include_first_elsewhere:
        raise GraftledgerError("--at, --estimand and --include-first-elsewhere go with time-to-next-session only.")

    from pipelines import MEASURE_LABELS, FigureSet, figure_meta

    with open_registry(registry, known_measures=tuple(MEASURE_LABELS), as_of_intake=as_of_intake) as opened:
        computed = _analysis(analysis)(opened, **options)
        meta = figure_meta(opened, analysis=analysis, **_plain(options))
        erased = opened.erased_since
    match format_:
        case Format.JSON:
            say(FigureSet(meta, computed).to_json().rstrip("\n"))
        case Format.CSV:
            say(FigureSet(meta, computed).to_csv().rstrip("\n"))
        case Format.TABLE:
            from ._figure_table import table_lines

            for line in table_lines(computed, meta):
                say(line)
    if erased:
        note(fill(erased_words(erased), 80))
    for caution in cautions(fields):
        note(fill(caution, 80))


def cautions(fields: Sequence[str]) -> list[str]:
    """What to bear in mind beside any figure, and more where people or places are compared."""
    lines = [
        "Caution: these figures describe past patients of this registry. They are no forecast for one patient and no "
        "medical advice: decisions rest with licensed clinicians, within local law.",
    ]
    if set(fields) & {"surgeon_code", "harvest_by", "placed_by", "site_code"}:
        lines.append(
            "By surgeon or site: not a verdict. Small numbers swing widely, and whoever takes the harder cases "
            "(case-mix) will look worse."
        )
    elif fields:
        lines.append("Groups differ in more than what they are split by, and small numbers swing widely.")
    return lines


def _analysis(name: str) -> Callable[..., tuple[Figure, ...]]:
    import pipelines

    analyses: dict[str, Callable[..., tuple[Figure, ...]]] = {
        "time-to-next-session": pipelines.time_to_next_session,
        "complications": pipelines.complications,
        "graft-survival": pipelines.graft_survival,
    }
    return analyses[name]


def _date(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise GraftledgerError(f"'{text}' is not a date. Write it YYYY-MM-DD.") from None


def _plain(options: dict[str, Any]) -> dict[str, Any]:
    """The options as JSON can hold them."""
    return {key: value.isoformat() if isinstance(value, date) else value for key, value in options.items()}
