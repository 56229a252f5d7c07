"""The jobs of the page Records: look at files and the mapping that would read them, and take them in."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from registry.errors import Fault, GraftledgerError
from registry.settings import MAPPINGS, SETTINGS_FILE, Settings, load_settings

from .deliveries import delivery_files, forget_delivery

if TYPE_CHECKING:
    from pipelines.intake import IntakeReport
    from pipelines.sources import SourceSheet

Progress = Callable[[str], None]
OWN, CORRECTIONS, MAPPED = "own columns", "corrections", "mapped"


def look(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """What a delivery holds and how it would be read, without loading anything.

    request: delivery; site; text of a mapping, or None for that of the site or else a proposal; anew: whether to
    propose although the site has one; chosen: answers to the questions of that text.
    Raises: GraftledgerError where a file cannot be read or may identify somebody.
    """
    from pipelines.intake.workbook_columns import without_workbook_columns
    from pipelines.mapping import propose_mapping, read_sheets, refuse_identifying

    settings = load_settings(registry / SETTINGS_FILE)
    progress("Reading the files")
    sheets = read_sheets(delivery_files(registry, request["delivery"]))
    progress("Looking for what may identify somebody")
    refuse_identifying([without_workbook_columns(sheet)[0] for sheet in sheets], settings)
    described = [{"label": sheet.label, "rows": sheet.frame.height} for sheet in sheets]
    kind = _kind(sheets)
    if kind != MAPPED:
        return {"kind": kind, "sheets": described, "faults": []}
    stored = registry / MAPPINGS / f"{request['site']}.toml"
    origin, text = "edited", request["text"]
    if text is None and stored.exists() and not request["anew"]:
        origin, text = "of the site", stored.read_text(encoding="utf-8")
    if text is None:
        progress("Proposing a mapping")
        origin, text = "proposed", propose_mapping(sheets, settings, request["site"])
    return {"kind": kind, "origin": origin, "sheets": described, **_tried(sheets, text, request, settings, progress)}


def _kind(sheets: Sequence[SourceSheet]) -> str:
    """Whether a mapping is needed: not for rows that come back mended, nor where columns are the registry's own."""
    from pipelines.intake.workbook_columns import is_workbook_sheet
    from registry import RECORD_TYPES

    if any(is_workbook_sheet(sheet) for sheet in sheets):
        return CORRECTIONS
    own = all(any(set(sheet.header) <= set(record.field_names) for record in RECORD_TYPES) for sheet in sheets)
    return OWN if own else MAPPED


def _tried(
    sheets: Sequence[SourceSheet], text: str, request: Mapping[str, Any], settings: Settings, progress: Progress
) -> dict[str, Any]:
    """The mapping with the choices made, what is still open in it, and what it would make of the sheets."""
    from pipelines.mapping import OPEN, apply_mapping, check_lines, faulty_rows
    from pipelines.mapping.choosing import choices_of, mapping_data, mapping_lines, masked_samples, with_choices
    from pipelines.mapping.load import parse_mapping

    name = f"{request['site']}.toml"
    checked: dict[str, Any] = {}
    found: list[dict[str, Any]] = []
    try:
        data = mapping_data(text)
        refused: tuple[Fault, ...] = ()
        if request["chosen"]:
            try:
                data = with_choices(data, sheets, request["chosen"], settings)
            except GraftledgerError as refusal:
                refused = refusal.faults
            else:
                text = mapping_lines(data)
        for each in choices_of(data, sheets):
            samples = masked_samples(each.sheet)
            placements = [
                asdict(one) | {"sample": samples[one.column], "is_open": one.is_open} for one in each.placements
            ]
            found.append(
                {
                    "label": each.sheet.label,
                    "rows": each.sheet.frame.height,
                    "placements": placements,
                    "questions": [asdict(question) for question in each.questions],
                }
            )
        if refused:
            raise GraftledgerError(*refused)
        mapping = parse_mapping(data, name, settings=settings)
        if mapping.site != request["site"]:
            raise GraftledgerError(f"The mapping is of site {mapping.site}, the delivery of site {request['site']}.")
        progress("Trying the mapping")
        tables = apply_mapping(sheets, mapping)
        checked = {
            "lines": check_lines(tables),
            "records": sum(table.frame.height for table in tables),
            "held": sum(faulty_rows(table) for table in tables),
        }
        faults: list[str] = []
    except GraftledgerError as refusal:
        faults = [str(replace(fault, file=None) if fault.file == name else fault) for fault in refusal.faults]
    at_fault = [fault for fault in faults if OPEN not in fault]
    return {
        "text": text,
        "found": found,
        "faults": faults,
        "open": len(faults) - len(at_fault),
        "at_fault": at_fault,
        "checked": checked,
    }


def take_in(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """Take a delivery in, keep its mapping for the site, and lay out the report of the intake.

    request: delivery; site; kind, as `look` tells it; text of the mapping, or None where none is needed; refile;
    received_by.
    Rows that come back mended are read by the mapping that the site has, if any.
    Raises: GraftledgerError where nothing was taken in; the registry is then as it was.
    """
    from pipelines.intake import run_intake
    from pipelines.mapping import load_mapping
    from registry.store import open_registry

    paths = delivery_files(registry, request["delivery"])
    site, text = request["site"], request["text"]
    kept = files / f"{site}.toml"
    with open_registry(registry, read_only=False) as opened:
        mapping = None
        if text is not None:
            kept.write_text(text, encoding="utf-8")
            mapping = load_mapping(kept, opened.settings)
        elif request["kind"] == CORRECTIONS and (registry / MAPPINGS / kept.name).exists():
            mapping = load_mapping(registry / MAPPINGS / kept.name, opened.settings)
        report = run_intake(
            opened,
            paths,
            mapping=mapping,
            refile=request["refile"],
            today=date.today(),
            received_by=request["received_by"],
            progress=progress,
        )
    if text is not None:
        _keep_mapping(registry, kept)
    forget_delivery(registry, request["delivery"])
    progress("Laying out the report")
    return _result(report) | _laid_out(registry, report.intake_id, files)


def _keep_mapping(registry: Path, kept: Path) -> None:
    folder = registry / MAPPINGS
    try:
        folder.mkdir(exist_ok=True)
        unfinished = folder / f".unfinished-{kept.name}"
        unfinished.write_bytes(kept.read_bytes())
        os.replace(unfinished, folder / kept.name)
    except OSError as error:
        raise GraftledgerError(
            Fault(
                f"the records are in, but the mapping could not be kept ({(error.strerror or 'error').lower()}).",
                f"{MAPPINGS}/{kept.name}",
            )
        ) from None


def _result(report: IntakeReport) -> dict[str, Any]:
    from registry import RECORD_TYPES

    present = [record for record in RECORD_TYPES if any(file.record == record.name for file in report.files)]
    return {
        "intake_id": report.intake_id,
        "counts": [{"plural": record.plural, **asdict(report.total(record.name))} for record in present],
        "total": asdict(report.total()),
        "settled": dict(report.entries_closed),
        "withdrawn": len(report.withdrawn),
    }


def _laid_out(registry: Path, intake_id: int, files: Path) -> dict[str, Any]:
    from registry.reports import register_report
    from registry.store import open_registry

    from ..intake_report import gather, lay_out, write_intake_report

    with open_registry(registry) as opened:
        data = gather(opened, intake_id, folder=registry)
    page, _ = write_intake_report(files, lay_out(data))
    refusal = register_report(registry, "intake report", None, intake_id=intake_id, snapshot=data.batch.snapshot_after)
    return {"page": page.name, "not_registered": refusal}
