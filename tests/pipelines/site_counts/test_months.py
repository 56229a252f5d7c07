"""Days put to the ends of months: *by hand*, and for any movements."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pipelines.estimators import product_limit, risk_table, survival_at
from pipelines.site_counts.figures import in_doubt
from pipelines.site_counts.model import Movements
from pipelines.site_counts.model import risk_table as counted
from pipelines.site_counts.protecting import in_months
from registry.durations import months


def movements_of(spells: list[tuple[int, int, bool]]) -> Movements:
    """Movements of people: day of entry, day of leaving, and whether with the event."""
    days = sorted({exit_day for _, exit_day, _ in spells} | {entry for entry, _, _ in spells if entry > 0})

    def column(chosen: list[int]) -> tuple[int, ...]:
        return tuple(chosen.count(day) for day in days)

    return Movements(
        day=tuple(days),
        entered=column([entry for entry, _, _ in spells if entry > 0]),
        events={"e": column([exit_day for _, exit_day, event in spells if event])},
        censored=column([exit_day for _, exit_day, event in spells if not event]),
    )


def test_who_enters_late_enters_at_the_start_of_the_month() -> None:
    """*By hand*: days 31 to 60 are month 2. Who enters on day 30 is at risk from 31, so from the start of month 2."""
    found = in_months(movements_of([(0, 40, True), (30, 100, False), (45, 60, False), (10, 121, False)]))
    assert found == Movements(day=(30, 60, 121), entered=(2, 0, 0), events={"e": (0, 1, 0)}, censored=(0, 1, 2))
    assert counted(found).get_column("at_risk").to_list() == [2, 4, 2]


spells = st.lists(
    st.tuples(st.integers(0, 900), st.integers(1, 900), st.booleans()).map(
        lambda spell: (spell[0], spell[0] + spell[1], spell[2])
    ),
    min_size=1,
    max_size=40,
)


@given(spells)
def test_nobody_is_lost_and_nobody_leaves_before_entering(people: list[tuple[int, int, bool]]) -> None:
    exact = movements_of(people)
    coarse = in_months(exact)
    assert coarse.people == exact.people == len(people)
    assert set(coarse.day) <= {months(month) for month in range(1, 100)}
    product_limit(counted(coarse).rename({"events_e": "events"}))  # refuses more leaving than are at risk


@given(st.lists(st.tuples(st.integers(1, 900), st.booleans()), min_size=1, max_size=40))
def test_without_late_entry_the_share_is_never_too_high(people: list[tuple[int, bool]]) -> None:
    exact = movements_of([(0, day, event) for day, event in people])
    at = [months(month) for month in (6, 12, 24)]
    fine, coarse = (
        survival_at(product_limit(counted(table).rename({"events_e": "events"})), at)
        for table in (exact, in_months(exact))
    )
    for one, other in zip(fine, coarse, strict=True):
        if one.estimate is not None and other.estimate is not None:
            assert other.estimate >= one.estimate - 1e-12


# few days, at the start and the end of months, so that who leaves first in a month matters often
edges = st.sampled_from([31, 32, 59, 60, 61, 62, 90, 91])
crowded = st.lists(
    st.tuples(st.sampled_from([0, 0, 0, 31, 45]), edges, st.booleans()).filter(lambda spell: spell[0] < spell[1]),
    min_size=1,
    max_size=12,
).map(lambda people: [*people, (0, 400, False)])


@given(crowded)
def test_the_bound_holds_with_late_entry_too(people: list[tuple[int, int, bool]]) -> None:
    """Wherever a share may be shown, months make it lower by no more than is said."""
    exact = movements_of(people)
    fine, coarse = (counted(table).rename({"events_e": "events"}) for table in (exact, in_months(exact)))
    columns = ["day", "at_risk", "entered", "events", "censored"]
    for at in (months(month) for month in (1, 2, 3, 6)):
        one, other = (survival_at(product_limit(table), [at])[0].estimate for table in (fine, coarse))
        assert one is not None
        assert other is not None
        assert other - one <= in_doubt(coarse.select(columns), [at], 0) + 1e-12


def test_the_bound_is_reached_by_hand() -> None:
    """*By hand*: of 4, two leave on day 31, one has the event on day 60: 1 of 2 then, 1 of 4 in months; 0.25 apart."""
    exact = movements_of([(0, 31, False), (0, 31, False), (0, 60, True), (0, 400, False)])
    coarse = counted(in_months(exact)).rename({"events_e": "events"})
    assert in_doubt(coarse.select("day", "at_risk", "entered", "events", "censored"), [60], 0) == 0.25


@given(spells)
def test_the_risk_table_is_that_of_the_estimators(people: list[tuple[int, int, bool]]) -> None:
    """`estimators.risk_table` makes the same of the same people."""
    import polars as pl

    table = pl.DataFrame(
        {
            "entry_day": [entry for entry, _, _ in people],
            "exit_day": [exit_day for _, exit_day, _ in people],
            "events": [int(event) for _, _, event in people],
            "censored": [int(not event) for _, _, event in people],
        }
    )
    own = counted(movements_of(people)).rename({"events_e": "events"})
    assert own.rows() == risk_table(table).select(own.columns).rows()
