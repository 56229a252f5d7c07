"""Entries of rows held back, with their reasons."""

from __future__ import annotations

from dataclasses import dataclass

from registry import Fault, GraftledgerError, Registry, record_type

WITHOUT_SITE = "none"
"""Stands for entries whose site is not known."""


@dataclass(frozen=True)
class Reason:
    """One rule that a row broke, in one field."""

    rule: str
    field: str
    reason: str
    mend: str


@dataclass(frozen=True)
class Entry:
    """One row held back.

    number: by which a corrected row or a dismissal names it.
    file, row: where it came from.
    key: of its record, where it is well-formed. site: where it is known.
    status: open; waiting (for the record it refers to); loaded (it is in the registry now); corrected (another row in
        its place is); replaced (it came again and was held back again, as entry `replaced_by`); or dismissed.
    intake_id, closed_by_intake_id: the events that held it back and closed it.
    content: its fields as JSON; source_content: its row in the site's own columns, where a mapping read it.
    """

    number: int
    intake_id: int
    file: str
    sheet: str | None
    row: int
    record: str
    key: str | None
    site: str | None
    status: str
    closed_by_intake_id: int | None
    replaced_by: int | None
    dismissed_reason: str | None
    content: str
    source_content: str | None
    reasons: tuple[Reason, ...]

    @property
    def place(self) -> str:
        """Where it came from, in words."""
        sheet = f", sheet {self.sheet}" if self.sheet else ""
        return f"{self.file}{sheet} row {self.row}"


def entries(
    registry: Registry,
    *,
    intake_id: int | None = None,
    record: str | None = None,
    site: str | None = None,
    unsettled: bool = False,
) -> tuple[Entry, ...]:
    """Entries by number.

    intake_id: those that one event made. record: of one record type. site: of one site; `none` for those of no known
    site. unsettled: only those that are open or waiting.

    Raises: GraftledgerError where there is no such event, record type or site.
    """
    _check(registry, intake_id, record, site)
    chosen = """
        from held_back_row
        where ($intake is null or intake_id = $intake)
            and ($record is null or record_type = $record)
            and ($site is null or coalesce(site_code, $without) = $site)
            and (not $unsettled or closed_as is null)
    """
    values = {"intake": intake_id, "record": record, "site": site, "without": WITHOUT_SITE, "unsettled": unsettled}
    reasons: dict[int, list[Reason]] = {}
    for number, *parts in registry.connection.execute(
        f"select held_back_id, rule, field, reason, mend from held_back "
        f"where held_back_id in (select held_back_id {chosen}) order by held_back_id, rule, field, reason",
        values,
    ).fetchall():
        reasons.setdefault(number, []).append(Reason(*parts))
    rows = registry.connection.execute(
        "select held_back_id, intake_id, file_name, sheet, row_number, record_type, record_key, site_code, status, "
        f"closed_by_intake_id, replaced_by, dismissed_reason, content, source_content {chosen} order by held_back_id",
        values,
    ).fetchall()
    return tuple(Entry(*(*row, tuple(reasons.get(row[0], ())))) for row in rows)


def _check(registry: Registry, intake_id: int | None, record: str | None, site: str | None) -> None:
    last = registry.connection.execute("select max(intake_id) from intake").fetchall()[0][0]
    if last is None:
        raise GraftledgerError("There has been no intake yet.")
    if intake_id is not None and not 1 <= intake_id <= last:
        raise GraftledgerError(Fault(f"there is no intake {intake_id}.", mend=f"Known: 1 to {last}."))
    if record is not None:
        record_type(record)
    if site is not None and site not in (*registry.settings.sites, WITHOUT_SITE):
        known = ", ".join((*registry.settings.sites, WITHOUT_SITE))
        raise GraftledgerError(Fault(f"there is no site '{site}' in this registry.", mend=f"Known: {known}."))
