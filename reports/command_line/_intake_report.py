"""The command that reports on one intake: a summary in 80 columns, a page, and its figures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Annotated

import typer

from ._app import RegistryOption, command, note, say

if TYPE_CHECKING:
    from pipelines import Figure
    from pipelines.intake_batch import CheckResult

    from ..intake_report import IntakeData

_WIDTH = 80
_REASONS_SHOWN = 5


@command("intake-report")
def intake_report(
    intake: Annotated[
        int | None, typer.Option(metavar="N", help="Which intake; the latest that took files in if left out.")
    ] = None,
    registry: RegistryOption = Path("."),
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder to write to; intake-N if left out.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a report that is there already.")] = False,
) -> None:
    """Report on one intake: what came in, what needs doing, and the trend; on a page and here."""
    from registry import open_registry

    from ..intake_report import gather, lay_out, write_intake_report

    with open_registry(registry) as opened:
        data = gather(opened, intake, folder=registry)
    number = data.batch.intake_id
    folder = out if out is not None else Path(f"intake-{number}")
    page, figures = write_intake_report(folder, lay_out(data), replace=replace)
    for line in summary_lines(data):
        say(line)
    say(f"The report is in {page}")
    _write_down(data, registry)
    note(f"Open it in a browser, or print it. Its figures, unrounded: {figures}")


def write_page(registry: Path, intake: int, out: Path) -> Path:
    """The page of one intake without the summary. Returns its path."""
    from registry import open_registry

    from ..intake_report import gather, lay_out, write_intake_report

    with open_registry(registry) as opened:
        data = gather(opened, intake, folder=registry)
    page, _ = write_intake_report(out, lay_out(data))
    _write_down(data, registry)
    return page


def _write_down(data: IntakeData, registry: Path) -> None:
    """Note the report in the registry's ledger, so that an erasure names it."""
    from registry.reports import register_report

    batch = data.batch
    refusal = register_report(registry, "intake report", None, intake_id=batch.intake_id, snapshot=batch.snapshot_after)
    if refusal:
        note(f"It was not registered, so that an erasure will not name it: {refusal}")


def summary_lines(data: IntakeData) -> list[str]:
    """The report in at most 80 columns; only a command to type may be longer, since a broken one cannot be copied."""
    from registry.definition import Severity

    batch = data.batch
    found = [
        *_wrapped(f"{data.name}, received {data.received_words}, by {batch.received_by}"),
        *_count_lines(data),
        "",
        *_to_do_lines(data),
        *_reason_lines("Held back or refused, a row under each of its reasons:", batch.found(Severity.HOLD)),
        *_reason_lines("Warnings, of all rows judged:", batch.found(Severity.WARN)),
        *_came_back_lines(data),
        *_trend_lines(data),
    ]
    if batch.erased_since:
        erased = "1 patient was" if batch.erased_since == 1 else f"{batch.erased_since:,} patients were"
        found += _wrapped(f"{erased} erased since; the counts of the files are those of the day of the intake.")
    return [*found, f"Snapshot {batch.snapshot_before} before, {batch.snapshot_after} after."]


def _count_lines(data: IntakeData) -> list[str]:
    from pipelines.intake_batch import total
    from registry import RECORD_TYPES

    from ..intake_report import sentences

    files = data.batch.files
    lines = _wrapped(" ".join(sentences(data)))
    if not files:
        return lines
    heads = ("read", "loaded", "corrected", "unchanged", "held back", "waiting", "warned")
    widths = (8, 8, 10, 10, 10, 8, 8)
    lines += ["", " " * 18 + "".join(f"{head:>{width}}" for head, width in zip(heads, widths, strict=True))]
    groups = [(record.plural, tuple(file for file in files if file.record == record.name)) for record in RECORD_TYPES]
    present = [(words, of_record) for words, of_record in groups if of_record]
    for words, of_record in [*present, *([("all", files)] if len(present) > 1 else [])]:
        rows = total(of_record)
        counts = (
            rows.read,
            rows.loaded,
            rows.corrected,
            rows.unchanged,
            rows.held_back,
            rows.waiting,
            rows.warned,
        )
        numbers = (f"{count:>{width},}" for count, width in zip(counts, widths, strict=True))
        lines.append(f"{words:<18}" + "".join(numbers))
    return lines


def _to_do_lines(data: IntakeData) -> list[str]:
    from ..intake_report import status_words, steps

    lines = _wrapped(status_words(data))
    for number, step in enumerate(steps(data), start=1):
        lines += wrap(step.words, _WIDTH, initial_indent=f"{number:>3}. ", subsequent_indent=" " * 5)
        lines += [f"     {text}" for text in step.commands]
    return lines


def _reason_lines(heading: str, results: Sequence[CheckResult]) -> list[str]:
    from ..intake_report import is_missing

    if not results:
        return []
    lines = ["", heading]
    missing = sum(result.failed for result in results if is_missing(result))
    ordered = sorted((result for result in results if not is_missing(result)), key=lambda result: -result.failed)
    for result in ordered[:_REASONS_SHOWN]:
        text = f"{result.record}.{result.field}, {result.rule}: {result.reason}. {result.mend}"
        head = f"{result.failed:>7,}  "
        lines += wrap(text, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head))
    if further := ordered[_REASONS_SHOWN:]:
        reasons = "1 further reason" if len(further) == 1 else f"{len(further)} further reasons"
        lines.append(f"{sum(result.failed for result in further):>7,}  for {reasons}: see the page")
    if missing:
        lines.append(f"{missing:>7,}  since the patient or session they belong to is not there")
    return lines


def _came_back_lines(data: IntakeData) -> list[str]:
    settled, returned = data.batch.settled, data.batch.returned
    lines = []
    if returned:
        judged = sum(count.judged for count in returned)
        held = sum(count.held_back for count in returned)
        lines = ["", f"Judged again without being sent again: {judged:,}, of which {held:,} are still held back."]
    if not settled:
        return lines
    came_in = sum(entry.loaded + entry.corrected for entry in settled)
    anew = sum(entry.replaced for entry in settled)
    return [
        *lines,
        "",
        f"Of rows that earlier intakes held back, {came_in:,} came in and {anew:,} were held back anew.",
    ]


def _trend_lines(data: IntakeData) -> list[str]:
    """This batch of each site beside its batch before."""
    from ..wording import percent

    if not data.trends:
        return []
    lines = ["", f"{'Share of rows held back':<26}{'this batch (95% interval)':<30}the batch before"]
    for trend in data.trends:
        *before, this = trend.batches
        share = this.held_back
        limits = (
            f" ({percent(share.lower)} to {percent(share.upper)})" if share.lower is not None and share.upper else ""
        )
        shares = [_share_words(share, limits), _share_words(before[-1].held_back) if before else "none"]
        lines.append(f"  {trend.site:<24}{shares[0]:<30}{shares[1]}")
    if any("too_few" in step.held_back.flags for trend in data.trends for step in trend.batches[-2:]):
        lines.append(f"  few: fewer than {data.floor} rows, too few to read")
    return [*lines, "  It tells of the files that were sent, not of the care at a site."]


def _share_words(share: Figure, limits: str = "") -> str:
    from ..wording import estimate_words

    return estimate_words(share) + limits + (" few" if "too_few" in share.flags else "")


def _wrapped(text: str) -> list[str]:
    return wrap(text, _WIDTH)
