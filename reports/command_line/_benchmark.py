"""The command that sets a surgeon's own results beside those of blinded peers."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import GraftledgerError
from registry.reports import register_report, shown_intake_id
from registry.store import open_registry

from ._app import AsOfIntakeOption, RegistryOption, command, erased_words, note, say
from ._intake import ReceivedByOption, login
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.comparison.practice import Practice

    from ..benchmark import BenchmarkDocument

_WIDTH = 80
_KIND = "benchmark"


@command(_KIND)
def benchmark(
    surgeon: Annotated[str | None, typer.Argument(metavar="SURGEON_CODE", help="Whose page; or --all.")] = None,
    everybody: Annotated[bool, typer.Option("--all", help="A page for each surgeon, each in a folder.")] = False,
    quarter: Annotated[
        str | None,
        typer.Option(metavar="YYYY-Qn", help="Up to the end of that quarter; the last complete one if left out."),
    ] = None,
    registry: RegistryOption = Path("."),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to write to; benchmark-CODE-YYYY-Qn if left out.")
    ] = None,
    case_mix: Annotated[
        int | None, typer.Option("--case-mix", metavar="N", help="Frozen case-mix model; the last if left out.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a page that is there already.")] = False,
    as_of_intake: AsOfIntakeOption = None,
    received_by: ReceivedByOption = None,
) -> None:
    """Write a surgeon's page: own results beside blinded peers, trend, case-mix, and cases to look at again."""
    if (surgeon is None) is not everybody:
        raise GraftledgerError("Name one surgeon, such as S01, or give --all for a page each.")
    # the matrices are small: on a busy machine, several threads for each cost ten times what they save
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from pipelines import MEASURE_LABELS
    from pipelines.comparison.practice import compare_practice
    from pipelines.comparison.reviews import checked_surgeon

    from ..audit import last_complete_quarter, parse_quarter
    from ..benchmark import FIGURES_FILE, build_benchmark, write_benchmark
    from ..writing import refuse_earlier

    with open_registry(registry, known_measures=tuple(MEASURE_LABELS), as_of_intake=as_of_intake) as opened:
        chosen = parse_quarter(quarter) if quarter else last_complete_quarter(opened.data_date)
        if surgeon is not None:
            checked_surgeon(opened, surgeon)
        codes = opened.settings.surgeons if everybody else (surgeon or "",)
        folder = out or Path(f"benchmarks-{chosen}" if everybody else f"benchmark-{surgeon}-{chosen}")
        places = {code: folder / code if everybody else folder for code in codes}
        for place in places.values():
            refuse_earlier(place, (FIGURES_FILE,), "benchmark", replace=replace)
        with progress_line() as progress:
            progress("Comparing")
            practice = compare_practice(opened, chosen.last_on, model_id=case_mix)
            documents = {}
            for code in codes:
                progress(f"Writing the page of {code}")
                documents[code] = build_benchmark(practice, code, chosen)
        shown, snapshot, erased = shown_intake_id(opened), opened.snapshot, opened.erased_since
    for code, document in documents.items():
        write_benchmark(places[code], document, replace=replace)
    for line in benchmark_lines(practice, next(iter(documents.values())), everybody=everybody):
        say(line)
    note(fill(f"Pages, as HTML and PDF, with their figures: {folder}", _WIDTH))
    if erased:
        note(fill(erased_words(erased), _WIDTH))
    for code in documents:
        if refusal := register_report(registry, _KIND, f"{code} {chosen}", intake_id=shown, snapshot=snapshot):
            note(fill(f"It was not registered, so that an erasure will not name it: {refusal}", _WIDTH))
            break
    if as_of_intake is None:
        _open_reviews(registry, practice, tuple(documents), str(chosen), received_by or login())
    note(
        fill(
            "Caution: a comparison of individuals is a prompt for review, not a verdict. Patients differ, small "
            "numbers swing, a team operates. Make no ranking of it. A surgeon's page is for that surgeon.",
            _WIDTH,
        )
    )


def benchmark_lines(practice: Practice, document: BenchmarkDocument, *, everybody: bool) -> Iterator[str]:
    """A table of one surgeon's results; of all surgeons, only how many results lie beyond a limit."""
    from ..benchmark._words import position_words, told_ratio

    data = document.data
    if everybody:
        results = [one for each in practice.comparisons.values() for one in each.results.values()]
        flagged = sum(bool(one.flag) for one in results)
        judged = sum(one.position is not None for one in results)
        yield f"{len(practice.registry.settings.surgeons)} pages for {data.quarter}."
        yield from wrap(
            f"Results that can be compared: {judged}. Beyond a limit on the unfavourable side once all measures of a "
            f"surgeon are allowed for: {flagged}. They are named in outlier-reviews, not here.",
            _WIDTH,
        )
        return
    yield from wrap(
        f"{data.surgeon}, {practice.first_on} to {practice.last_on}. Ratio: observed over expected; "
        "in parentheses: 95% interval.",
        _WIDTH,
    )
    yield ""
    yield f"{'':27}{'seen':>13}{'expected':>10}   ratio"
    yield "-" * _WIDTH
    for comparison, result in data.results:
        seen = f"{result.observed:,} of {result.size:,}"
        expected = "-" if result.expected is None else f"{result.expected:,.1f}"
        ratio = result.ratio
        told = "-" if ratio is None else told_ratio(ratio)
        star = "*" if 0 < result.n < data.floor else ""
        yield f"{comparison.measure.label[:27]:27}{seen:>13}{expected:>10}   {told}{star}".rstrip()
        words = position_words(comparison, result, data.floor)
        if result.flag or result.why_not or (result.position and result.position.flag):
            yield from wrap(words, _WIDTH - 4, initial_indent="    ", subsequent_indent="    ")
    if any(0 < result.n < data.floor for _, result in data.results):
        yield f"* fewer than {data.floor} sessions: too few to rely on."


def _open_reviews(folder: Path, practice: Practice, codes: tuple[str, ...], period: str, opened_by: str) -> None:
    """Open a review for each result beyond a limit, where none is open; say which."""
    from pipelines.comparison.reviews import open_review

    flagged = [
        (code, comparison, comparison.results[code])
        for comparison in practice.comparisons.values()
        for code in codes
        if comparison.results[code].flag
    ]
    if not flagged:
        return
    lines = []
    try:
        with open_registry(folder, read_only=False) as opened:
            for code, comparison, result in flagged:
                review = open_review(
                    opened,
                    code,
                    comparison.measure.name,
                    period,
                    opened_by=opened_by,
                    flag=result.flag,
                    basis=_basis(result),
                )
                if review is not None:
                    lines.append(f"Opened outlier review {review.review_id}: {code}, {comparison.measure.label}.")
    except GraftledgerError as refusal:
        lines = [fill(f"No review could be opened: {refusal.faults[0]}", _WIDTH)]
    for line in lines:
        note(line)


def _basis(result: Any) -> Mapping[str, float | None]:
    ratio = result.ratio
    return {
        "observed": result.observed,
        "size": result.size,
        "expected": result.expected,
        "ratio": ratio.estimate,
        "lower": ratio.lower,
        "upper": ratio.upper,
        "p_adjusted": result.p_adjusted,
    }
