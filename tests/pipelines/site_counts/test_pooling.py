"""Pooled counts against pooled records. Expected values are those of this program on all the records together."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipelines import (
    Figure,
    complication_incidence,
    complications,
    graft_survival,
    next_session_causes,
    time_to_next_session,
)
from pipelines.complication_kinds import SEVERITIES
from pipelines.next_session import COMPETING
from pipelines.site_counts import (
    SiteCounts,
    counts_text,
    gather_counts,
    pool,
    pooled_figures,
    read_counts,
    too_low_by,
)
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.pipelines.site_counts.sites import Practices, two_practices

SPLITS = ((), ("age_band",), ("technique", "site_code"), ("session_number",))
Key = tuple[object, ...]


@pytest.fixture(scope="module")
def practices() -> Iterator[Practices]:
    with two_practices((1200, 700), (5, 6)) as made:
        yield made


def of_records(registry: Registry, by: tuple[str, ...]) -> tuple[Figure, ...]:
    """The same figures from records, as every other command makes them."""
    return (
        *time_to_next_session(registry, by=by),
        *time_to_next_session(registry, estimand="anywhere", by=by),
        *(figure for kind in COMPETING for figure in next_session_causes(registry, competing=kind, by=by)),
        *complications(registry, by=by),
        *complication_incidence(registry, severities=tuple(SEVERITIES), by=by),
        *graft_survival(registry, by=by),
    )


def key(figure: Figure) -> Key:
    return figure.measure, tuple(figure.group.items()), figure.at, figure.window


def through_a_file(counts: SiteCounts, path: Path) -> tuple[str, SiteCounts]:
    path.write_text(counts_text(counts), encoding="utf-8")
    return path.name, read_counts(path)


@pytest.mark.parametrize("by", SPLITS)
def test_exact_counts_give_the_figures_of_the_pooled_records(
    practices: Practices, by: tuple[str, ...], tmp_path: Path
) -> None:
    """Estimates, limits, numbers and flags alike, to the last bit; so also to 1e-12."""
    files = [
        through_a_file(gather_counts(registry, by=by, exact_days=True, fewest=1), tmp_path / f"{number}.json")
        for number, registry in enumerate((practices.one, practices.other))
    ]
    found = {key(figure): figure for figure in pooled_figures(pool(files))}
    expected = {key(figure): figure for figure in of_records(practices.both, by)}
    assert sum(figure.estimate is not None for figure in expected.values()) > 100
    assert found == expected


def test_the_order_of_files_does_not_matter(practices: Practices) -> None:
    files = [(name, gather_counts(r)) for name, r in (("a", practices.one), ("b", practices.other))]
    assert pooled_figures(pool(files)) == pooled_figures(pool(files[::-1]))


@pytest.mark.parametrize("by", [(), ("technique",)])
def test_protection_costs_what_is_stated(practices: Practices, by: tuple[str, ...]) -> None:
    """In months a next session is a little low, within the bound; other figures of complete groups are exact."""
    files = [(name, gather_counts(r, by=by)) for name, r in (("a", practices.one), ("b", practices.other))]
    pooled = pool(files)
    bound = too_low_by(pooled)
    missing = {left.group for _, counts in files for left in counts.protection.left_out}
    expected = {key(figure): figure for figure in of_records(practices.both, by)}
    assert 0.0 < bound < 0.02
    compared = 0
    for figure in pooled_figures(pooled):
        whole = expected.get(key(figure))
        if whole is None or whole.estimate is None or tuple(figure.group.values()) in missing:
            continue
        assert figure.estimate is not None
        compared += 1
        if figure.measure == "next_session_probability" and not figure.flags:
            assert -bound <= figure.estimate - whole.estimate <= 1e-12
        elif figure.at is None:
            assert figure == whole
    assert compared > 50


def test_one_file_with_months_puts_all_to_months(practices: Practices) -> None:
    mixed = [
        ("a", gather_counts(practices.one, exact_days=True, fewest=1)),
        ("b", gather_counts(practices.other, fewest=1)),
    ]
    both = [(name, gather_counts(r, fewest=1)) for name, r in (("a", practices.one), ("b", practices.other))]
    assert pooled_figures(pool(mixed)) == pooled_figures(pool(both))
    assert too_low_by(pool(mixed)) > 0.0
    with pytest.raises(GraftledgerError, match="whole months"):
        pooled_figures(pool(mixed), at_days=[100])


def test_exact_days_are_not_in_doubt(practices: Practices) -> None:
    assert too_low_by(pool([("a", gather_counts(practices.one, exact_days=True))])) == 0.0


def test_few_patients_are_left_out_and_named(practices: Practices) -> None:
    """No number of patients below the floor is left, and what is missing is listed."""
    counts = gather_counts(practices.other, by=("technique", "site_code"), fewest=30)
    assert counts.protection.left_out
    kept = [part.patients["counted"] for part in counts.next_session if "counted" in part.patients]
    kept += [of.patients for part in counts.complications_of_every_kind for of in part.classes.values()]
    kept += [part.sums.patients for part in counts.graft_survival if part.sums]
    assert min(n for n in kept if n) >= 30
    everything = gather_counts(practices.other, by=("technique", "site_code"), fewest=1)
    assert not everything.protection.left_out
    assert min(part.sums.patients for part in everything.graft_survival if part.sums) < 30


def test_no_key_or_date_of_anybody_is_in_the_file(practices: Practices) -> None:
    text = counts_text(gather_counts(practices.one, by=("age_band",), exact_days=True, fewest=1))
    keys = practices.one.connection.execute("select patient_key from patient union select session_key from session")
    assert not any(found in text for (found,) in keys.fetchall())
    dates = practices.one.connection.execute("select distinct performed_on::varchar from session").fetchall()
    assert not any(found in text for (found,) in dates)


@pytest.mark.parametrize("name", ["surgeon_code", "harvest_by"])
def test_surgeons_are_not_pooled(practices: Practices, name: str) -> None:
    with pytest.raises(GraftledgerError, match="at one site only"):
        gather_counts(practices.one, by=(name,))


def test_nothing_to_count_is_said(empty: Registry) -> None:
    with pytest.raises(GraftledgerError, match="no records"):
        gather_counts(empty)
