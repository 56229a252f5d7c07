"""Commands for outlier reviews: list, open, update, reply."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Annotated

import typer

from registry.store import open_registry

from ._app import RegistryOption, app, command, note, say
from ._intake import ReceivedByOption, login

if TYPE_CHECKING:
    from pipelines.comparison.reviews import OutlierReview

group = typer.Typer(
    name="outlier-reviews",
    help="What is done once a result lies beyond a limit: data check, case-mix check, clinical review, closing.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

_WIDTH = 80
_NumberArgument = Annotated[int, typer.Argument(metavar="N", help="Number of the review.")]


@command("list", group)
def list_(
    registry: RegistryOption = Path("."),
    surgeon: Annotated[str | None, typer.Option(metavar="CODE", help="Only those of one surgeon.")] = None,
    unsettled: Annotated[bool, typer.Option("--open", help="Only those that are not closed.")] = False,
) -> None:
    """Print every review with what was found, which step is due, and the surgeon's reply."""
    from pipelines.comparison.reviews import checked_surgeon, outlier_reviews

    with open_registry(registry) as opened:
        if surgeon is not None:
            checked_surgeon(opened, surgeon)
        found = outlier_reviews(opened, surgeon=surgeon, open_only=unsettled)
    if not found:
        say("No outlier review is there.")
        return
    for one in found:
        for line in review_lines(one):
            say(line)
    note(fill("A review is a look at records, patients and care, in that order. It is no verdict.", _WIDTH))


@command("open", group)
def open_(
    surgeon: Annotated[str, typer.Argument(metavar="SURGEON_CODE", help="Whose results.")],
    measure: Annotated[str, typer.Argument(metavar="MEASURE", help="Such as infection or graft_survival.")],
    quarter: Annotated[str, typer.Option(metavar="YYYY-Qn", help="The quarter it is about.")],
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
) -> None:
    """Open a review by hand. A benchmark opens one by itself for each result beyond a limit."""
    from pipelines.comparison.reviews import open_review

    from ..audit import parse_quarter

    period = str(parse_quarter(quarter))
    with open_registry(registry, read_only=False) as opened:
        review = open_review(opened, surgeon, measure.replace("-", "_"), period, opened_by=received_by or login())
    if review is None:
        say("One of this surgeon and measure is open already, or was opened for this quarter.")
        return
    say(f"Outlier review {review.review_id} is open.")


@command("update", group)
def update(
    number: _NumberArgument,
    step: Annotated[str, typer.Option(metavar="STEP", help="data_check, case_mix_check, clinical_review or closed.")],
    finding: Annotated[str, typer.Option(metavar="CODE", help="What it found; list the codes with: findings.")],
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
) -> None:
    """Write down the step that is due, with what it found. Nothing is ever changed."""
    _written(registry, number, step.replace("-", "_"), finding, None, received_by)


@command("reply", group)
def reply(
    number: _NumberArgument,
    finding: Annotated[str, typer.Option(metavar="CODE", help="agrees, explains or disagrees.")],
    words: Annotated[
        str | None, typer.Option(metavar="TEXT", help="In own words, without anything that identifies a patient.")
    ] = None,
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
) -> None:
    """Write down the surgeon's own reply; it stands beside what was found, in the audit too."""
    from pipelines.comparison.reviews import REPLY

    _written(registry, number, REPLY, finding, words, received_by)


@command("findings", group)
def findings() -> None:
    """Print what each step may find."""
    from pipelines.comparison.reviews import FINDINGS

    for step, codes in FINDINGS.items():
        say(f"{step}:")
        for code, words in codes.items():
            say(f"  {code:<18}{words}")


def review_lines(review: OutlierReview) -> Iterator[str]:
    """One review, for 80 columns."""
    from pipelines.comparison.reviews import FLAGS, REPLY, STEPS

    state = f"due: {STEPS[review.next_step]}" if review.next_step else "closed"
    yield f"{review.review_id}. {review.surgeon}, {review.label}, {review.period}: {state}"
    seen = ""
    if (ratio := review.basis.get("ratio")) is not None:
        seen = f", {review.basis['observed']:,} seen, {review.basis['expected']:,.1f} expected, ratio {ratio:.2f}"
    yield from _indented(f"{FLAGS[review.flag]}{seen}; opened {review.opened_at:%Y-%m-%d} by {review.opened_by}")
    for one in review.steps:
        name = "reply" if one.step == REPLY else STEPS[one.step]
        yield from _indented(f"{one.done_at:%Y-%m-%d} {name}, {one.done_by}: {one.told}")


def _indented(text: str) -> list[str]:
    return wrap(text, _WIDTH, initial_indent="   ", subsequent_indent="     ")


def _written(registry: Path, number: int, step: str, finding: str, words: str | None, received_by: str | None) -> None:
    from pipelines.comparison.reviews import update_review

    with open_registry(registry, read_only=False) as opened:
        review = update_review(
            opened, number, step, finding.replace("-", "_"), done_by=received_by or login(), words=words
        )
    for line in review_lines(review):
        say(line)
