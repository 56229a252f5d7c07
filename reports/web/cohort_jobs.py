"""The jobs of the page Cohorts: keep a definition, and export a cohort."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from registry.store import open_registry

Progress = Callable[[str], None]


def keep_cohort(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """Keep a definition under a name. request: name; definition as JSON; defined_by.

    Raises: GraftledgerError where the name is none, or nobody is in the cohort.
    """
    from pipelines.cohorts import CohortDefinition, cohort_flow, store_cohort
    from registry.errors import GraftledgerError

    definition = CohortDefinition.from_json(request["definition"])
    with open_registry(registry, read_only=False) as opened:
        progress("Counting who is in it")
        if not cohort_flow(opened, definition)[-1].remaining:
            raise GraftledgerError("Nobody is in this cohort, so it was not kept. Widen its conditions.")
        stored = store_cohort(opened, request["name"], definition, defined_by=request["defined_by"])
    return {"name": stored.name, "version": stored.version}


def export(registry: Path, request: Mapping[str, Any], files: Path, progress: Progress) -> dict[str, Any]:
    """Export a cohort into one archive. request: name; version; level; formats; with_sites; exported_by.

    Raises: GraftledgerError where it cannot be; nothing is left behind then.
    """
    from pipelines.exports import export_cohort, formats_named, let_out, level_named

    from ..cohort import cohort_svg

    folder = files / "export"
    with let_out(registry, folder) as (opened, beside):
        done = export_cohort(
            opened,
            request["name"],
            beside,
            level=level_named(request["level"]),
            formats=formats_named(request["formats"]),
            with_sites=request["with_sites"],
            version=request["version"],
            exported_by=request["exported_by"],
            drawn=lambda cohort, flow: cohort_svg(cohort, flow, opened.snapshot),
            progress=progress,
        )
        snapshot = opened.snapshot
    progress("Packing the files")
    name = f"{done.cohort.name}-{done.cohort.version}-{done.level}-{done.export_id}"
    archive = shutil.make_archive(str(files / name), "zip", root_dir=folder)
    shutil.rmtree(folder)
    return {
        "export_id": done.export_id,
        "file": Path(archive).name,
        "bytes": Path(archive).stat().st_size,
        "rows": dict(done.rows),
        "k": done.report.k,
        "left_out": done.report.left_out if done.level == "anonymous" else None,
        "snapshot": snapshot,
    }
