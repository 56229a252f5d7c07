"""A file of counts: how it is written, and what is refused when it is read."""

from __future__ import annotations

import json
from hashlib import sha256
from pathlib import Path
from typing import Any

from polars.exceptions import PolarsError
from pydantic import ValidationError

from registry.errors import Fault, GraftledgerError

from ..complication_kinds import DEFAULT_WINDOWS, KINDS, SEVERITIES
from ..estimators import CountsError
from .figures import pooled_figures
from .model import FORMAT, VERSION, SiteCounts
from .pooling import pool

MOST_BYTES = 200 * 2**20
_FAULTS_SHOWN = 5
_MEND = "Have it exported and sent again."


def counts_text(counts: SiteCounts) -> str:
    """The file: JSON with one part a line, and a checksum of its content at the end."""
    content = counts.model_dump(mode="json")
    lines = []
    for name, value in {**content, "checksum": _checksum(content)}.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            parts = ",\n    ".join(json.dumps(part) for part in value)
            lines.append(f"  {json.dumps(name)}: [\n    {parts}\n  ]")
        else:
            lines.append(f"  {json.dumps(name)}: {json.dumps(value)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def read_counts(path: Path) -> SiteCounts:
    """Read a file of counts, and check that figures can be made of it.

    Raises: GraftledgerError where it cannot be read, is no such file, was made by a newer version, was changed since,
    holds anything that the format does not know, or counts that contradict themselves.
    """
    content = _content(path)
    checksum = content.pop("checksum", None)
    if content.get("format") != FORMAT:
        raise GraftledgerError(Fault("this is no file of counts.", path.name, mend="Make one with: counts export."))
    version = content.get("version")
    if isinstance(version, int) and version > VERSION:
        raise GraftledgerError(
            Fault(
                f"it has version {version} of the format; this program knows versions up to {VERSION}.",
                path.name,
                field="version",
                mend="Update graftledger.",
            )
        )
    if checksum != _checksum(content):
        raise GraftledgerError(
            Fault("it is not as it was exported: its checksum does not fit.", path.name, field="checksum", mend=_MEND)
        )
    try:
        counts = SiteCounts.model_validate_json(json.dumps(content))
    except ValidationError as error:
        raise GraftledgerError(*_faults(error, path.name)) from None
    _refuse_contradictions(counts, path.name)
    return counts


def _content(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise GraftledgerError(Fault("it is too large for a file of counts.", path.name))
        content = json.loads(path.read_bytes())
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(Fault(f"the file cannot be read ({why}).", path.name)) from None
    except (ValueError, RecursionError):
        raise GraftledgerError(Fault("this is no JSON, or not all of it.", path.name, mend=_MEND)) from None
    if not isinstance(content, dict):
        raise GraftledgerError(Fault("this is no file of counts.", path.name, mend="Make one with: counts export."))
    return content


def _checksum(content: dict[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return sha256(text.encode("utf-8")).hexdigest()


def _faults(error: ValidationError, name: str) -> list[Fault]:
    """What is wrong and where, without the values that are there."""
    found = error.errors(include_url=False, include_context=False, include_input=False)
    faults = [
        Fault(
            f"{one['msg'].removeprefix('Value error, ').rstrip('.')}.",
            name,
            field=".".join(str(part) for part in one["loc"]) or None,
            mend=_MEND,
        )
        for one in found[:_FAULTS_SHOWN]
    ]
    more = len(found) - len(faults)
    return [*faults, Fault(f"{more} more faults like these.", name)] if more else faults


def _refuse_contradictions(counts: SiteCounts, name: str) -> None:
    """Every figure is tried, so that a file which cannot be true is found here, not among the others."""
    for field, known in (
        ("kinds", KINDS),
        ("severities", tuple(SEVERITIES)),
        ("windows", tuple(window.name for window in DEFAULT_WINDOWS)),
    ):
        if getattr(counts.asked, field) != known:
            raise GraftledgerError(
                Fault(
                    f"its {field} are not those that this program counts.",
                    name,
                    field=f"asked.{field}",
                    mend="Export and pool with one version of graftledger.",
                )
            )
    try:
        pooled_figures(pool([(name, counts)]))
    except (CountsError, ValueError, KeyError, PolarsError) as error:
        what = str(error) if isinstance(error, CountsError) else "numbers that no records can have"
        raise GraftledgerError(Fault(f"its counts contradict themselves ({what}).", name, mend=_MEND)) from None
