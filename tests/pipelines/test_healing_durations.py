"""Every rule of the durations, one session at a time. All expected values are *by hand*."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import polars as pl
import pytest

from pipelines.duration_intervals import DurationRequest, each_session, group_intervals, kept_sessions
from pipelines.duration_laws import LAWS, duration_laws
from pipelines.duration_measures import DURATION_LABELS, DURATION_MEASURES, duration_measure
from pipelines.estimators import clopper_pearson, parametric_fits, parametric_presence, wilson
from pipelines.groups import EVERYBODY, chosen_fields
from pipelines.healing_durations import compare_durations, durations
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.small_registry import Row, insert_rows, on, registry_in_memory

END = 1000
RECORDS = ("patient", "session", "visit", "complication", "site_period")
Contacts = list[tuple[int, dict[str, Any]]]


@pytest.fixture(scope="module")
def empty() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        yield opened


def fill(registry: Registry, **records: list[Row]) -> None:
    records.setdefault("site_period", [{"records_complete_to": on(END)}])
    for name in RECORDS:
        registry.connection.execute(f"delete from {name}")
        insert_rows(registry, name, records.get(name, []))


def outcome(
    registry: Registry,
    of: str,
    contacts: Contacts,
    *,
    patient: Row | None = None,
    session: Row | None = None,
    others: list[Row] | None = None,
    complication: list[Row] | None = None,
    **options: Any,
) -> tuple[int, int | None] | str:
    """What becomes of one session on day 0: its interval, or why it is not counted."""
    fill(
        registry,
        patient=[{"patient_key": "p", **(patient or {})}],
        session=[{"session_key": "s", "patient_key": "p", **(session or {})}, *(others or [])],
        visit=[{"session_key": "s", "visited_on": on(day), **answers} for day, answers in contacts],
        complication=[{"session_key": "s", **row} for row in complication or []],
    )
    figures = durations(registry, of=of, by=("session_number",), **options)
    figure = next(f for f in figures if f.group["session_number"] == "1")
    assert figure.n + sum(figure.not_counted.values()) == 1
    if not figure.n:
        (reason,) = figure.not_counted
        return reason
    fields = chosen_fields(("session_number",), registry.settings)
    request = DurationRequest(registry, duration_measure(of), fields, EVERYBODY, options.get("as_of"))
    with kept_sessions(request):
        rows = each_session(group_intervals(request)[("1",)]).rows()
    ((left, right, _),) = rows
    return left, right


def donor(answer: str | None) -> dict[str, Any]:
    return {"numbness_donor": answer}


NUMB, LESS, FREE, UNASKED = donor("absent_sensation"), donor("reduced"), donor("none"), donor(None)


@pytest.mark.parametrize(
    ("expected", "contacts"),
    [
        # the last look that found it, the first later one that did not; both on weeks
        ((14, 91), [(14, NUMB), (91, FREE)]),
        ((91, 182), [(14, NUMB), (91, LESS), (182, FREE), (365, FREE)]),
        # never found: over before the first look
        ((0, 14), [(14, FREE), (91, FREE)]),
        # not seen to end
        ((364, None), [(14, NUMB), (365, LESS)]),
        # a look without an answer is no look
        ((14, 364), [(14, NUMB), (91, UNASKED), (365, FREE)]),
        # the nearest week, whatever was found: 10 is 1.4 weeks, 11 is 1.6
        ((7, None), [(10, NUMB)]),
        ((14, None), [(11, NUMB)]),
        ((0, 7), [(10, FREE)]),
        ((0, 14), [(11, FREE)]),
        # two looks in one week are one step apart
        ((91, 98), [(90, NUMB), (92, FREE)]),
        # after two years the nearest four weeks, counted from day 728: 741 is 13 days past it, 742 is 14
        ((728, 812), [(741, NUMB), (800, FREE)]),
        ((756, 812), [(742, NUMB), (800, FREE)]),
        ((728, 756), [(730, NUMB), (735, FREE)]),
        ((721, 728), [(722, NUMB), (724, FREE)]),
        # gone, then there again: the end for good
        ((182, 364), [(14, NUMB), (91, FREE), (182, LESS), (365, FREE)]),
        ((182, None), [(91, FREE), (182, LESS)]),
        # ... also where they answered differently on the last day that found it
        ((182, 364), [(91, FREE), (182, LESS), (182, FREE), (365, FREE)]),
        # one day, two answers: there
        ((91, None), [(91, NUMB), (91, FREE)]),
        # before day 5 nothing is used
        ((0, 91), [(1, NUMB), (4, NUMB), (91, FREE)]),
        ((7, 91), [(5, NUMB), (91, FREE)]),
    ],
)
def test_the_interval(empty: Registry, expected: tuple[int, int | None], contacts: Contacts) -> None:
    assert outcome(empty, "numbness-donor", contacts) == expected


def again(day: int, **fields: Any) -> list[Row]:
    """A further session."""
    return [{"session_key": "s2", "patient_key": "p", "session_number": 2, "performed_on": on(day), **fields}]


SEEN: Contacts = [(14, NUMB), (91, LESS), (182, FREE)]
UNTESTED: Contacts = [(14, {"sensation_before": "not_tested", **NUMB})]


@pytest.mark.parametrize(
    ("expected", "contacts", "facts"),
    [
        # contacts from a further session on are not used; one elsewhere counts as well
        ((91, None), SEEN, {"others": again(182)}),
        ((91, 182), SEEN, {"others": again(183)}),
        ((14, None), SEEN, {"others": again(50, surgeon_code="elsewhere", learned_on=on(900))}),
        # the end of the records, and what happened later
        ((91, None), SEEN, {"as_of": on(181)}),
        ((91, 182), SEEN, {"as_of": on(182)}),
        # death ends what can be seen
        ((91, 182), SEEN, {"patient": {"died_on": on(200), "status_at_last_contact": "died"}}),
        # a symptom brought the patient in
        ((14, 182), [(14, NUMB), (91, {"visit_reason": "symptom", **LESS}), (182, FREE)], {}),
        ((91, 182), [(14, NUMB), (91, {"visit_reason": None, **LESS}), (182, FREE)], {}),
        # numb before
        ("present_before", [(14, {"sensation_before": "reduced", **NUMB})], {}),
        ((14, None), UNTESTED, {}),
        ((14, None), [*UNTESTED, (300, {"sensation_before": "reduced"})], {"others": again(300)}),
        # no look at all
        ("missed_visit", [], {}),
        ("missed_visit", [(2, NUMB)], {}),
        ("item_empty", [(14, UNASKED)], {}),
        ("item_empty", [(91, {"visit_reason": "symptom", **NUMB})], {}),
        ("not_due", [], {"as_of": on(13)}),
        ("missed_visit", [], {"as_of": on(14)}),
        ("died", [], {"patient": {"died_on": on(14), "status_at_last_contact": "died"}}),
        ("missed_visit", [], {"patient": {"died_on": on(15), "status_at_last_contact": "died"}}),
        ("operated_again", [(20, NUMB)], {"others": again(14)}),
        ("missed_visit", [(20, NUMB)], {"others": again(15)}),
        ("not_reached", [], {"patient": {"status_at_last_contact": "left_care", "last_contact_on": on(4)}}),
        ("missed_visit", [], {"patient": {"status_at_last_contact": "left_care", "last_contact_on": on(5)}}),
        ("no_declaration", SEEN, {"session": {"site_code": "B"}}),
        ("dates_shifted", SEEN, {"patient": {"dates_shifted": True}}),
        ("no_start_date", SEEN, {"session": {"performed_precision": "month"}}),
    ],
)
def test_who_is_counted(
    empty: Registry, expected: tuple[int, int | None] | str, contacts: Contacts, facts: dict[str, Any]
) -> None:
    assert outcome(empty, "numbness-donor", contacts, **facts) == expected


def numb(**days: int | None) -> list[Row]:
    return [{"kind": "numbness", **days}]


BOTH_FREE = {"numbness_donor": "none", "numbness_recipient": "none"}


@pytest.mark.parametrize(
    ("expected", "of", "contacts", "complication"),
    [
        # a record looked on the days it names
        ((84, None), "numbness", [], numb(onset_day=0, last_present_day=84)),
        ((84, 182), "numbness", [], numb(onset_day=0, last_present_day=84, first_absent_day=180)),
        ((84, 98), "numbness", [(98, BOTH_FREE)], numb(last_present_day=84)),
        ((182, None), "numbness", [(98, BOTH_FREE)], numb(last_present_day=182)),
        ("missed_visit", "numbness", [], numb(onset_day=2)),
        # it names no area
        ("missed_visit", "numbness-donor", [], numb(last_present_day=84)),
        ("missed_visit", "numbness", [], [{"kind": "neuralgia", "last_present_day": 84}]),
        ((8, 12), "swelling", [], [{"kind": "swelling", "last_present_day": 8, "first_absent_day": 12}]),
        # after the records end, or after a further session, nothing is used
        ("missed_visit", "numbness", [], numb(last_present_day=1001)),
    ],
)
def test_complication_records(
    empty: Registry,
    expected: tuple[int, int | None] | str,
    of: str,
    contacts: Contacts,
    complication: list[Row],
) -> None:
    assert outcome(empty, of, contacts, complication=complication) == expected


@pytest.mark.parametrize(
    ("expected", "of", "contacts"),
    [
        # numbness anywhere is told only where both areas were answered
        ("item_empty", "numbness", [(14, NUMB)]),
        ((14, None), "numbness", [(14, {"numbness_donor": "none", "numbness_recipient": "reduced"})]),
        ((0, 14), "numbness-recipient", [(14, {"numbness_donor": "reduced", "numbness_recipient": "none"})]),
        # swelling and crusts by the day
        ((5, 9), "swelling", [(5, {"swelling_now": "mild"}), (9, {"swelling_now": "none"})]),
        ((0, 9), "swelling", [(1, {"swelling_now": "none"}), (9, {"swelling_now": "none"})]),
        ("item_empty", "swelling", [(7, {"swelling_since_last": "severe"})]),
        ((8, 11), "crusts", [(8, {"crusts_present": True}), (11, {"crusts_present": False})]),
        # shedding not seen in the first three weeks may not have begun
        ("missed_visit", "shedding", [(14, {"shedding_seen": False})]),
        ((28, 91), "shedding", [(28, {"shedding_seen": True}), (91, {"shedding_seen": False})]),
        # growth is awaited until it is seen
        ((91, 119), "first-growth", [(91, {"new_growth_visible": False}), (120, {"new_growth_visible": True})]),
        ((0, 91), "first_growth", [(14, {"new_growth_visible": True}), (91, {"new_growth_visible": True})]),
        ((119, None), "first_growth", [(91, {"new_growth_visible": True}), (120, {"new_growth_visible": False})]),
    ],
)
def test_each_measure(empty: Registry, expected: tuple[int, int | None] | str, of: str, contacts: Contacts) -> None:
    assert outcome(empty, of, contacts) == expected


def ten_sessions(registry: Registry) -> None:
    """Eight patients with a session, one with two: six gone at day 91, two then at 182, two still numb at 365."""
    answers = [*[[(91, FREE)]] * 6, *[[(91, NUMB), (182, FREE)]] * 2, *[[(91, NUMB), (365, NUMB)]] * 2]
    keys = [f"s{number}" for number in range(10)]
    owners = [f"p{min(number, 8)}" for number in range(10)]
    fill(
        registry,
        patient=[{"patient_key": owner} for owner in dict.fromkeys(owners)],
        session=[
            {"session_key": k, "patient_key": owner}
            | ({"session_number": 2, "performed_on": on(400)} if number == 9 else {})
            for number, (k, owner) in enumerate(zip(keys, owners, strict=True))
        ],
        visit=[
            {"session_key": k, "visited_on": on(day + (400 if k == "s9" else 0)), **answer}
            for k, contacts in zip(keys, answers, strict=True)
            for day, answer in contacts
        ],
    )


def test_the_share_and_what_stands_beside_it(empty: Registry) -> None:
    ten_sessions(empty)
    figures = durations(empty, of="numbness-donor", at_days=[91, 135, 182, 365, 730])
    still = [f for f in figures if f.measure == "numbness_donor_still"]
    assert [f.at for f in still] == [91, 135, 182, 365, 730]
    assert [f.estimate for f in still[:4]] == [pytest.approx(x, abs=1e-6) for x in (0.4, 0.3, 0.2, 0.2)]
    assert [(f.n, f.n_clusters, f.events, f.at_risk) for f in still] == [
        (10, 9, 6, 4),
        (10, 9, 6, 4),
        (10, 9, 8, 2),
        (10, 9, 8, 2),
        (10, 9, 8, 0),
    ]
    # ten tell of each day, as many as the floor asks for, and none was lost before
    assert [f.flags for f in still] == [()] * 4 + [("beyond_follow_up",)]
    assert still[4].estimate is None
    assert still[4].lower is None
    # between looks only both bounds are known
    bounds = {f.measure: (f.at, f.estimate) for f in figures if "_still_at_" in f.measure}
    assert bounds == {
        "numbness_donor_still_at_least": (135, pytest.approx(0.2, abs=1e-6)),
        "numbness_donor_still_at_most": (135, pytest.approx(0.4, abs=1e-6)),
    }
    between = still[1]
    assert between.lower is not None
    assert between.upper is not None
    assert between.lower < 0.2
    assert between.upper > 0.4
    (never,) = (f for f in figures if f.measure == "numbness_donor_never_over_at_most")
    # the curve falls at 182 too, but then only four are followed
    assert (never.at, never.lower, never.flags) == (91, 0.0, ())
    assert never.estimate == pytest.approx(0.4, abs=1e-6)
    assert never.upper is not None
    assert 0.4 < never.upper < 0.9
    (back,) = (f for f in figures if f.measure == "numbness_donor_gone_then_back")
    assert (back.events, back.estimate, back.upper) == (0, 0.0, pytest.approx(wilson(0, 10).upper))


def test_where_all_have_ended_the_limit_is_exact(empty: Registry) -> None:
    fill(
        empty,
        patient=[{"patient_key": f"p{n}"} for n in range(6)],
        session=[{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(6)],
        visit=[{"session_key": f"s{n}", "visited_on": on(91), **FREE} for n in range(6)],
    )
    figures = durations(empty, of="numbness-donor", at_days=[91])
    still, never, _ = figures
    assert never.measure == "numbness_donor_never_over_at_most"
    for figure in (still, never):
        assert figure.lower == 0.0
        assert figure.flags == ("too_few",)
        assert figure.estimate == 0.0
        assert figure.upper == pytest.approx(clopper_pearson(0, 6).upper)


def test_answers_that_conflict_are_counted(empty: Registry) -> None:
    outcome(empty, "numbness-donor", [(91, FREE), (182, NUMB)])
    (back,) = (f for f in durations(empty, of="numbness-donor") if f.measure == "numbness_donor_gone_then_back")
    assert (back.n, back.events, back.estimate) == (1, 1, 1.0)


def test_every_group_is_shown_and_the_same_again(empty: Registry) -> None:
    ten_sessions(empty)
    one, other = (durations(empty, of="numbness-donor", by=("technique",), at_days=[182]) for _ in range(2))
    assert one == other
    still = {f.group["technique"]: f for f in one if f.measure == "numbness_donor_still"}
    assert set(still) == {"strip", "follicular_unit_excision", "combined"}
    assert still["combined"].n == 0
    assert still["combined"].estimate is None
    assert still["combined"].flags == ("too_few",)
    assert still["strip"].n == 10
    split = durations(empty, of="numbness-donor", by=("technique",), at_days=[182, 91])
    order = [(f.at, f.group["technique"]) for f in split if f.measure == "numbness_donor_still"]
    techniques = [technique for _, technique in order[:3]]
    assert order == [(day, technique) for day in (182, 91) for technique in techniques]


def test_comparison_and_laws_of_groups(empty: Registry) -> None:
    """Strip: all ten still numb at 91, gone at 182; excision: all ten gone at 91."""
    strip = [[(91, NUMB), (182, FREE)]] * 10
    excision = [[(91, FREE)]] * 10
    techniques = ["strip"] * 10 + ["follicular_unit_excision"] * 10
    fill(
        empty,
        patient=[{"patient_key": f"p{n}"} for n in range(20)],
        session=[
            {"session_key": f"s{n}", "patient_key": f"p{n}", "technique": technique}
            for n, technique in enumerate(techniques)
        ],
        visit=[
            {"session_key": f"s{n}", "visited_on": on(day), **answer}
            for n, contacts in enumerate([*strip, *excision])
            for day, answer in contacts
        ],
    )
    result = compare_durations(empty, of="numbness-donor", by=("technique",))
    assert result.groups == ("follicular_unit_excision", "strip")
    assert result.observed == (10, 10)
    assert result.p_value is not None
    assert result.p_value < 0.001
    assert compare_durations(empty, of="crusts", by=("technique",)).reason == "no_events"
    # on the grid of weeks: ten over by day 91, ten between 91 and 182
    table = pl.DataFrame({"left_day": [0, 91], "right_day": [91, 182], "n": [10, 10]})
    fits = parametric_fits(table)
    whole = duration_laws(empty, of="numbness-donor", at_days=[91, 182, 365])
    aic = [figure for figure in whole if figure.measure == "duration_law_aic"]
    assert [figure.group["law"] for figure in aic] == [LAWS[fit.distribution] for fit in fits]
    assert [figure.estimate for figure in aic] == pytest.approx([fit.aic - fits[0].aic for fit in fits], abs=1e-6)
    best = [figure for figure in whole if figure.measure == "numbness_donor_still_by_law"][:3]
    shares = [share.estimate for share in parametric_presence(fits[0], [91, 182])]
    assert [figure.estimate for figure in best[:2]] == pytest.approx(shares, rel=1e-4)
    assert (best[2].estimate, best[2].flags) == (None, ("beyond_follow_up",))  # nobody was looked at after day 182
    # in each group all end in one and the same stretch of days: no law is held down
    by_group = duration_laws(empty, of="numbness-donor", by=("technique",))
    assert {(figure.measure, figure.estimate, figure.n) for figure in by_group} == {("duration_law_aic", None, 0)}


def test_unknown_names_and_early_days_are_refused(empty: Registry) -> None:
    with pytest.raises(GraftledgerError, match=r"no duration of 'numbnes-donor'.*numbness-donor"):
        durations(empty, of="numbnes-donor")
    with pytest.raises(GraftledgerError, match="Nothing is told of day 1: numbness-donor is looked for from day 5 on"):
        durations(empty, of="numbness-donor", at_days=[91, 1])
    with pytest.raises(GraftledgerError, match="cannot be split by 'tecnique'"):
        durations(empty, of="numbness-donor", by=("tecnique",))


def test_the_measures() -> None:
    names = [
        name
        for m in DURATION_MEASURES
        for name in (m.name, m.at_least, m.at_most, m.by_law, m.never_at_most, m.conflict)
    ]
    assert len(set(names)) == len(names)
    assert list(DURATION_LABELS) == names
    for measure in DURATION_MEASURES:
        assert measure.on_grid(measure.from_day) > 0, "else a look on that day would say that it never was"
        assert measure.first_look_by >= measure.from_day
        assert all(day >= measure.from_day for day in measure.at_days)
