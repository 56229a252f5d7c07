"""Up to when each site's records are complete."""

from __future__ import annotations

from datetime import date

from registry.store import Registry

from ._queries import rows


def complete_to_by_site(registry: Registry) -> dict[str, date | None]:
    """The latest day to which each site of the settings declares its records complete; None where it declared none."""
    table = rows(registry, ("site_end",), "from site_end", {"as_of": None})
    declared: dict[str, date] = dict(table.rows())
    return {site: declared.get(site) for site in registry.settings.sites}
