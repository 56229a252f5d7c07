"""The log of access: who looked at, took or changed what, and who was refused."""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields
from pathlib import Path

from .access import Rule, Visitor
from .state import open_state, stamp

GRANTED, REFUSED, FAILED = "granted", "refused", "failed"
_LONGEST_PATH = 300


@dataclass(frozen=True)
class Access:
    """One line. at: UTC. account, role: empty for somebody not signed in. path: the address without its query."""

    at: str
    account: str | None
    role: str | None
    method: str
    path: str
    what: str
    outcome: str
    status: int


def note_access(
    folder: Path, visitor: Visitor | None, rule: Rule, path: str, outcome: str, status: int, words: str = ""
) -> None:
    """Write one line. path: as asked for, since what stands in it tells whose results were tried."""
    with open_state(folder) as state:
        state.execute(
            "insert into access_log (at, account, role, method, path, what, outcome, status) "
            "values (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                stamp(),
                visitor.name if visitor else None,
                visitor.role if visitor else None,
                rule.method,
                path[:_LONGEST_PATH],
                f"{rule.what}: {words}" if words else rule.what,
                outcome,
                status,
            ],
        )


def accesses(
    folder: Path, *, account: str = "", outcome: str = "", first_on: str = "", last_on: str = "", most: int = -1
) -> list[Access]:
    """The newest lines first, those chosen alone. first_on, last_on: days such as 2026-01-31. most: -1 for all."""
    with open_state(folder) as state:
        rows = state.execute(
            "select at, account, role, method, path, what, outcome, status from access_log "
            "where (:account = '' or account = :account collate nocase) and (:outcome = '' or outcome = :outcome) "
            "and (:first_on = '' or substr(at, 1, 10) >= :first_on) "
            "and (:last_on = '' or substr(at, 1, 10) <= :last_on) order by entry_id desc limit :most",
            {"account": account, "outcome": outcome, "first_on": first_on, "last_on": last_on, "most": most},
        ).fetchall()
    return [Access(*row) for row in rows]


def access_csv(lines: list[Access]) -> str:
    """The lines as CSV, in which no cell runs as a formula where a spreadsheet opens it."""
    import polars as pl

    from pipelines.spreadsheet_cells import guarded

    names = [field.name for field in fields(Access)]
    frame = pl.DataFrame([astuple(line) for line in lines], schema=dict.fromkeys(names, pl.String), orient="row")
    text: str = guarded(frame).write_csv()
    return text
