"""The snapshot identifier depends on the content alone."""

from __future__ import annotations

import random
from pathlib import Path

import duckdb
from hypothesis import given
from hypothesis import strategies as st

from registry.definition import SITE_PERIOD
from registry.snapshot import ContentSum, computed_sums, content_sum, snapshot_id
from registry.store import DATABASE_FILE

ROWS = [("A", f"{year}-Q{quarter}", year - 2000, f"{year}-12-31") for year in range(2001, 2021) for quarter in (1, 2)]
sums = st.builds(ContentSum, st.integers(0, 10**6), st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1))


def fill(folder: Path, rows: list[tuple[str, str, int, str]]) -> str:
    with duckdb.connect(str(folder / DATABASE_FILE)) as connection:
        connection.execute("delete from site_period")
        connection.executemany("insert into site_period values (?, ?, ?, ?, 1)", rows)
        return snapshot_id(computed_sums(connection))


def test_order_does_not_matter_but_every_value_does(empty_registry: Path) -> None:
    first = fill(empty_registry, ROWS)
    shuffled = ROWS[:]
    random.Random(1).shuffle(shuffled)
    assert fill(empty_registry, shuffled) == first
    assert fill(empty_registry, [*ROWS[:-1], (*ROWS[-1][:2], 99, ROWS[-1][3])]) != first
    assert fill(empty_registry, ROWS[:-1]) != first


def test_batches_add_up(empty_registry: Path) -> None:
    with duckdb.connect(str(empty_registry / DATABASE_FILE)) as connection:
        connection.executemany("insert into site_period values (?, ?, ?, ?, 1)", ROWS)
        connection.execute("create temp table part as select * from site_period where quarter like '%Q1'")
        connection.execute("create temp table rest as select * from site_period where quarter like '%Q2'")
        whole = content_sum(connection, SITE_PERIOD, "site_period")
        assert content_sum(connection, SITE_PERIOD, "part") + content_sum(connection, SITE_PERIOD, "rest") == whole


def test_empty_fields_do_not_run_together(empty_registry: Path) -> None:
    with_count = fill(empty_registry, [("A", "2020-Q1", 1, "2020-12-31")])
    with duckdb.connect(str(empty_registry / DATABASE_FILE)) as connection:
        connection.execute("update site_period set sessions_declared = null")
        assert snapshot_id(computed_sums(connection)) != with_count


@given(sums, sums, sums)
def test_sums_form_a_commutative_group(a: ContentSum, b: ContentSum, c: ContentSum) -> None:
    assert a + b == b + a
    assert (a + b) + c == a + (b + c)
    assert (a + b) - b == a
