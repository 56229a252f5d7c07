"""Where the report comes from: who, when, which files by their hashes, and what was erased since."""

from __future__ import annotations

from ... import wording
from ...layout import Cell, Row, Section, Table
from .._data import IntakeData

_KINDS = {
    "files": "files taken in",
    "retry": "rows held back judged again",
    "declare": "a site's declaration",
    "merge": "two keys of one patient merged",
    "unmerge": "a merge of keys undone",
}
_DIGEST_SHOWN = 16


def provenance(data: IntakeData) -> Section:
    """Facts, the files, and a word on erasures."""
    batch = data.batch
    return Section(
        "provenance",
        "Where this comes from",
        "provenance.html",
        {
            "facts": [
                ("Event", f"{batch.intake_id}, {_KINDS[batch.kind]}"),
                ("Received", f"{data.received_words}, by {batch.received_by}"),
                ("Taken in with", f"graftledger {batch.program_version}"),
                ("Snapshot before", batch.snapshot_before),
                ("Snapshot after", batch.snapshot_after),
                ("Registry shown as of", f"snapshot {data.meta['snapshot']}"),
            ],
            "erased": _erased_words(batch.erased_since),
            "files": _files(data),
        },
    )


def _erased_words(erased: int) -> str:
    if not erased:
        return "No patient was erased since this intake."
    return (
        f"{wording.counted(erased, 'patient was', 'patients were')} erased since this intake. The counts of files and "
        "checks are those of its day and may count rows of these patients; what is said of rows held back as they "
        "stand now leaves them out. Where a file may have held such a row, the numbers of its rows are no longer kept."
    )


def _files(data: IntakeData) -> Table:
    """Each file once, with its hash; a workbook is one file."""
    known: dict[tuple[str, str | None], str] = {}
    for file in data.batch.files:
        known.setdefault((file.sha256, file.mapping_digest), file.label.split(", sheet ")[0])
    return Table(
        "Files, with the hash of their bytes",
        ("File", "SHA-256", "Columns read by"),
        tuple(
            Row(
                name,
                (
                    Cell(sha256[:32], (sha256[32:],)),
                    Cell("the registry's own names")
                    if digest is None
                    else Cell("a mapping", (f"SHA-256 {digest[:_DIGEST_SHOWN]} …",)),
                ),
            )
            for (sha256, digest), name in known.items()
        ),
        words=(1, 2),
    )
