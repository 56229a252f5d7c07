"""One intake as it is kept: its files, what became of their rows, what each check found, and what is open of it now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from registry import RECORD_TYPES, Fault, GraftledgerError, Registry
from registry.definition import Severity

from .intake.report import ReturnedCount


@dataclass(frozen=True)
class BatchFile:
    """The rows of one record type of one file, by what became of them.

    read = loaded + corrected + unchanged + held_back + refused; waiting is part of held_back, warned of those loaded
    or corrected. sites: whose rows it holds, as far as they are known. mapping_digest: of the mapping that read it,
    None where it was in the registry's own columns.
    """

    label: str
    sha256: str
    mapping_digest: str | None
    record: str
    sites: tuple[str, ...]
    read: int
    loaded: int
    corrected: int
    unchanged: int
    held_back: int
    waiting: int
    refused: int
    warned: int

    @property
    def taken_in(self) -> int:
        """Rows that changed the registry."""
        return self.loaded + self.corrected

    @property
    def judged(self) -> int:
        """Rows that the checks looked at: all but those that the registry, or an earlier row, held as they are."""
        return self.read - self.unchanged


@dataclass(frozen=True)
class FailedRows:
    """The rows of one file that failed a check. first: numbers of the first of them, as far as they are kept."""

    label: str
    rows: int
    first: tuple[int, ...]


@dataclass(frozen=True)
class CheckResult:
    """What one check found in all files of a batch: of `judged` rows `failed` failed it, and where."""

    record: str
    rule: str
    field: str
    severity: Severity
    reason: str
    mend: str
    judged: int
    failed: int
    places: tuple[FailedRows, ...]


@dataclass(frozen=True)
class OpenEntries:
    """Rows held back by the batch that are open or waiting now, of one site. site: None where it is not known."""

    site: str | None
    is_mapped: bool
    open: int
    waiting: int


@dataclass(frozen=True)
class SettledEntries:
    """Rows that an earlier intake held back and the batch settled.

    loaded: the row itself came in. corrected: a mended row in its place did. replaced: it was held back anew.
    """

    intake_id: int
    loaded: int
    corrected: int
    replaced: int


@dataclass(frozen=True)
class Batch:
    """A completed intake.

    files, results: by record type in the order of the definition; results with the most failures first.
    returned: rows held back before it that were judged again by themselves with it.
    settled: entries of earlier intakes that it settled, whether their rows were judged again or came mended.
    entries: rows that it held back, by what became of them since.
    still_open: those of them that are open or waiting, by site.
    withdrawn: patients of the batch who have withdrawn consent and are not erased.
    erased_since: erasures after it.
    """

    intake_id: int
    kind: str
    received_at: datetime
    received_by: str
    program_version: str
    snapshot_before: str
    snapshot_after: str
    files: tuple[BatchFile, ...]
    returned: tuple[ReturnedCount, ...]
    settled: tuple[SettledEntries, ...]
    results: tuple[CheckResult, ...]
    entries: Mapping[str, int]
    still_open: tuple[OpenEntries, ...]
    withdrawn: int
    erased_since: int

    @property
    def sites(self) -> tuple[str, ...]:
        """Whose rows it holds, as far as they are known."""
        return tuple(sorted({site for file in self.files for site in file.sites}))

    def found(self, severity: Severity) -> tuple[CheckResult, ...]:
        """The checks of that severity that rows failed."""
        return tuple(result for result in self.results if result.failed and result.severity is severity)


def total(files: tuple[BatchFile, ...], label: str = "", record: str = "") -> BatchFile:
    """The rows of several files together."""
    names = ("read", "loaded", "corrected", "unchanged", "held_back", "waiting", "refused", "warned")
    sums = {name: sum(getattr(file, name) for file in files) for name in names}
    sites = tuple(sorted({site for file in files for site in file.sites}))
    return BatchFile(label, "", None, record, sites, **sums)


def intake_batch(registry: Registry, intake_id: int | None = None) -> Batch:
    """One intake; the latest that took files in where none is named.

    Raises: GraftledgerError where there was no such intake, or the event judged no rows.
    """
    chosen = _chosen(registry, intake_id)
    execute = registry.connection.execute
    kind, received_at, received_by, version, before, after = execute(
        "select kind, received_at, received_by, program_version, snapshot_before, snapshot_after from intake "
        "where intake_id = ?",
        [chosen],
    ).fetchall()[0]
    files = execute(
        """
        select file_name || coalesce(', sheet ' || sheet, ''), sha256, mapping_digest, record_type,
            site_codes, rows_read, rows_loaded, rows_corrected, rows_unchanged, rows_held_back, rows_waiting,
            rows_refused, rows_warned
        from intake_file where intake_id = ? order by 1
        """,
        [chosen],
    ).fetchall()
    returned = execute(
        "select record_type, rows_judged, rows_loaded, rows_corrected, rows_unchanged, rows_held_back, rows_refused "
        "from intake_returned where intake_id = ?",
        [chosen],
    ).fetchall()
    settled = execute(
        """
        select intake_id, count(*) filter (where closed_as = 'loaded'), count(*) filter (where closed_as = 'corrected'),
            count(*) filter (where closed_as = 'replaced')
        from held_back_row where closed_by_intake_id = ? and closed_as <> 'dismissed' group by all order by 1
        """,
        [chosen],
    ).fetchall()
    entries = execute(
        "select status, count(*) from held_back_row where intake_id = ? group by all order by 1", [chosen]
    ).fetchall()
    still_open = execute(
        """
        select site_code, bool_or(mapping_digest is not null), count(*) filter (where not waits),
            count(*) filter (where waits)
        from held_back_row where intake_id = ? and closed_as is null group by all order by site_code nulls last
        """,
        [chosen],
    ).fetchall()
    withdrawn = execute(
        "select count(*) from held_back_row where intake_id = ? and closed_as is null and held_back_id in "
        "(select held_back_id from held_back where rule = 'consent_withdrawn')",
        [chosen],
    ).fetchall()[0][0]
    erased = execute("select count(*) from erasure where intake_id > ?", [chosen]).fetchall()[0][0]
    return Batch(
        chosen,
        kind,
        received_at,
        received_by,
        version,
        before,
        after,
        tuple(
            BatchFile(label, sha256, digest, record, tuple(sites), *counts)
            for label, sha256, digest, record, sites, *counts in _by_record(files, 3)
        ),
        tuple(ReturnedCount(*row) for row in _by_record(returned, 0)),
        tuple(SettledEntries(*row) for row in settled),
        _results(registry, chosen),
        dict(entries),
        tuple(OpenEntries(*row) for row in still_open),
        int(withdrawn),
        int(erased),
    )


def _chosen(registry: Registry, intake_id: int | None) -> int:
    judged = "(select intake_id from intake_file union select intake_id from intake_returned)"
    events = registry.connection.execute(
        f"select intake_id, kind, intake_id in {judged} from intake order by intake_id"
    ).fetchall()
    if intake_id is None:
        taken_in = [number for number, kind, _ in events if kind == "files"]
        if not taken_in:
            raise GraftledgerError("There has been no intake yet.")
        return int(taken_in[-1])
    for number, kind, has_judged in events:
        if number == intake_id:
            if not has_judged:
                raise GraftledgerError(
                    Fault(f"event {number} ({kind}) judged no rows.", mend="Choose an intake: graftledger status.")
                )
            return int(number)
    known = f"Known: 1 to {events[-1][0]}." if events else "There has been no intake yet."
    raise GraftledgerError(Fault(f"there is no intake {intake_id}.", mend=known))


def _results(registry: Registry, intake_id: int) -> tuple[CheckResult, ...]:
    rows = registry.connection.execute(
        """
        with result as (
            select *, file_name || coalesce(', sheet ' || sheet, '') as label
            from validation_result where intake_id = ?
        )
        select record_type, rule, field, severity, reason, mend, sum(rows_judged)::bigint, sum(rows_failed)::bigint,
            coalesce(
                list({'label': label, 'rows': rows_failed, 'first': first_rows} order by label)
                    filter (where rows_failed > 0), []
            )
        from result group by all order by 8 desc, rule, field, reason
        """,
        [intake_id],
    ).fetchall()
    return tuple(
        CheckResult(
            record,
            rule,
            field,
            Severity(severity),
            reason,
            mend,
            judged,
            failed,
            tuple(FailedRows(place["label"], place["rows"], tuple(place["first"])) for place in places),
        )
        for record, rule, field, severity, reason, mend, judged, failed, places in _by_record(rows, 0)
    )


def _by_record(rows: list[tuple[Any, ...]], column: int) -> list[tuple[Any, ...]]:
    """The rows by record type, and as they were within one."""
    order = [record.name for record in RECORD_TYPES]
    return sorted(rows, key=lambda row: order.index(str(row[column])))
