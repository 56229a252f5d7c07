"""Up to when each site's records are complete."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from pipelines.site_declarations import complete_to_by_site
from tests.small_registry import small_registry


def test_the_latest_declaration_counts_and_a_silent_site_has_none(empty_registry: Path) -> None:
    declared = [
        {"quarter": "2019-Q4", "records_complete_to": date(2019, 12, 31)},
        {"quarter": "2020-Q1", "records_complete_to": date(2020, 3, 20)},
        {"quarter": "2019-Q3", "records_complete_to": date(2019, 9, 30)},
    ]
    with small_registry(empty_registry, site_period=declared) as registry:
        assert complete_to_by_site(registry) == {"A": date(2020, 3, 20), "B": None}
