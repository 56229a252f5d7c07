"""Working tables of a large report: the figures are those that come without them, and nothing is left behind."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import pytest

from pipelines import complications, graft_survival, growth, time_to_next_session
from pipelines._queries import SESSION_HERE, kept
from pipelines.expectations import judge_all, load_statements
from pipelines.follow_up import quarter_contacts
from pipelines.groups import choose, shared_texts, shared_values
from pipelines.numbered_records import numbered_records
from pipelines.process_measures import process_measures
from pipelines.ratings_and_scars import ratings_and_scars
from pipelines.shared_tables import shared_tables, sharing
from registry.errors import GraftledgerError
from registry.store import Registry, open_registry, start_registry
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames

AS_OF, EARLIER = date(2026, 9, 30), date(2024, 9, 30)


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Registry]:
    folder = tmp_path_factory.mktemp("shared") / "registry"
    start_registry(folder, list(SITES), list(SURGEONS), "Test practice")
    with open_registry(folder, read_only=False) as opened:
        load_frames(opened, dict(simulate(250, 3).frames))
    with open_registry(folder) as opened:
        yield opened


def figures(registry: Registry) -> list[object]:
    """What asks for the same sessions, for others, as of two days, and by groups."""
    return [
        judge_all(registry, load_statements(None), as_of=AS_OF),
        complications(registry, as_of=AS_OF),
        complications(registry, as_of=EARLIER),
        complications(registry, by=("site_code",), as_of=AS_OF),
        quarter_contacts(registry, date(2026, 7, 1), AS_OF, by=("site_code",)),
        graft_survival(registry, by=("technique",), as_of=AS_OF),
        growth(registry, as_of=AS_OF),
        process_measures(registry, as_of=AS_OF),
        ratings_and_scars(registry, as_of=AS_OF),
        time_to_next_session(registry, estimand="anywhere", by=("age_band",), at_days=[365], as_of=AS_OF),
    ]


def temporary(registry: Registry) -> list[str]:
    found = registry.connection.sql(
        "select table_name from duckdb_tables() where temporary "
        "union all select view_name from duckdb_views() where temporary and not internal"
    ).fetchall()
    return [name for (name,) in found]


def test_the_figures_are_the_same(registry: Registry) -> None:
    """*Regression only*: against the same functions without working tables."""
    plain = figures(registry)
    with numbered_records(registry):
        numbered = figures(registry)
        with sharing(registry):
            first, again = figures(registry), figures(registry)
    assert numbered == plain
    assert first == plain
    assert again == plain
    assert temporary(registry) == []
    (key,) = registry.connection.sql("select any_value(patient_key) from session").fetchall()[0]
    assert isinstance(key, str)


def test_a_table_is_made_once(registry: Registry) -> None:
    """*By hand*: sessions of one day are asked for twice, those of another once; and the answer of a query once."""
    with sharing(registry):
        made = shared_tables(registry)
        assert made is not None
        for as_of in (AS_OF, AS_OF, EARLIER):
            values, texts = shared_values(registry.settings, as_of), shared_texts(())
            with kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts):
                assert registry.connection.sql("from judged_session limit 1").fetchall()
        assert made.count == 8  # the end of each site, what came next, all sessions, those judged: four of each day
    assert shared_tables(registry) is None


def test_what_is_not_used_is_dropped(registry: Registry) -> None:
    """*By hand*: of nine days the last one's tables stay; of nine sets of sessions of one day the six last used, and
    what they start from."""
    with sharing(registry):
        made = shared_tables(registry)
        assert made is not None
        for year in range(2016, 2025):
            values, texts = shared_values(registry.settings, date(year, 9, 30)), shared_texts(())
            with kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts):
                pass
        assert made.count == 36
        assert sorted(made.made.values()) == [33, 34, 35, 36]
        for year in range(2016, 2025):
            chosen = choose(registry.settings, since=date(year, 1, 1))
            values, texts = shared_values(registry.settings, AS_OF, chosen), shared_texts((), chosen)
            with kept(registry, "judged_session", (*SESSION_HERE, "judged_session"), values, texts):
                pass
        assert made.count == 36 + 3 + 9
        assert sorted(made.made.values()) == [37, 38, 39, *range(43, 49)]
        assert len([name for name in temporary(registry) if name.startswith("shared_")]) == 9


def test_another_connection_shares_nothing(registry: Registry) -> None:
    with sharing(registry), open_registry(registry.folder) as other:
        assert shared_tables(other) is None


def test_an_error_leaves_nothing_behind(registry: Registry) -> None:
    with pytest.raises(GraftledgerError), numbered_records(registry), sharing(registry):
        complications(registry, by=("no_such_field",), as_of=AS_OF)
    assert temporary(registry) == []


@pytest.mark.parametrize(
    ("limit", "spills_to", "meanwhile"),
    [("9GB", "beside", "6.5 GiB"), ("2GB", "beside", "1.8 GiB"), ("9GB", "", "8.3 GiB")],
)
def test_the_engine_is_held_to_some_memory(registry: Registry, limit: str, spills_to: str, meanwhile: str) -> None:
    """*By hand*: 7 billion bytes are 6.5 GiB; what has less keeps it, and so does what may not spill."""

    def held() -> str:
        return str(opened.connection.execute("select current_setting('memory_limit')").fetchall()[0][0])

    with open_registry(registry.folder) as opened:
        at_first = held()
        opened.connection.execute(f"set memory_limit = '{limit}'")
        if not spills_to:
            opened.connection.execute("set temp_directory = ''")
        with sharing(opened):
            assert held() == meanwhile
        assert held() == (at_first if meanwhile == "6.5 GiB" else meanwhile)
