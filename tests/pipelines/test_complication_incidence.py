"""Incidence of complications: the counting rules one session at a time, limits, and what must always hold.

Expected values are *by hand*, or those of `complications`, whose rules have tests of their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines import Figure, complications
from pipelines.complication_counts import ratio_sums, window_counts
from pipelines.complication_incidence import complication_incidence
from pipelines.complication_kinds import KINDS, SEVERITIES, Window, checked_kinds, parse_window
from pipelines.complication_request import ComplicationRequest
from pipelines.complication_sensitivity import complication_sensitivity
from pipelines.estimators import RatioSums, wilson
from pipelines.groups import EVERYBODY, chosen_fields
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.small_registry import Row, insert_rows, on, registry_in_memory

END = 3000
RECORDS = ("patient", "session", "visit", "complication", "site_period")
DAY_30, YEAR, EVER = Window(30), Window(365), Window(None)


@pytest.fixture(scope="module")
def empty() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        yield opened


def fill(registry: Registry, **records: Sequence[Row]) -> None:
    records.setdefault("site_period", [{"records_complete_to": on(END)}])
    for name in RECORDS:
        registry.connection.execute(f"delete from {name}")
        insert_rows(registry, name, records.get(name, []))


def one_session(
    registry: Registry,
    contacts: Sequence[tuple[int, dict[str, Any]]],
    records: Sequence[Row] = (),
    *,
    patient: Row | None = None,
    others: Sequence[Row] = (),
) -> None:
    fill(
        registry,
        patient=[{"patient_key": "p", **(patient or {})}],
        session=[{"session_key": "s", "patient_key": "p"}, *others],
        visit=[{"session_key": "s", "visited_on": on(day), **answers} for day, answers in contacts],
        complication=[{"session_key": "s", **row} for row in records],
    )


def outcome(registry: Registry, kind: str, window: Window, severity: str = "any", **options: Any) -> str:
    """What becomes of one session: "event", "no event", or why it is not counted, and what stands outside."""
    figures = complication_incidence(
        registry, kinds=[kind], severities=[severity], windows=[window], by=("session_number",), **options
    )
    first = {f.measure: f for f in figures if f.group["session_number"] == "1"}
    figure = first[f"complication_{kind}_{severity}"]
    assert figure.n + sum(figure.not_counted.values()) == 1
    outside = first.get(f"complication_{kind}_{severity}_outside")
    known = ", known" if outside and outside.events else ""
    if figure.n:
        return ("event" if figure.events else "no event") + known
    return next(iter(figure.not_counted)) + known


def infected(since: str | None, now: str | None = None) -> dict[str, Any]:
    return {"infection_since_last": since, "infection": now}


def record(kind: str, onset: int | None, severity: str = "mild") -> Row:
    return {"kind": kind, "onset_day": onset, "severity": severity}


@pytest.mark.parametrize(
    ("expected", "contacts", "records"),
    [
        ("no event", [(7, infected("none")), (40, infected("none"))], []),
        ("no event", [(120, infected("none"))], []),  # month 3 closes a window of 30 days
        ("missed_visit", [(7, infected("none")), (121, infected("none"))], []),
        ("item_empty", [(7, infected(None)), (40, infected("none"))], []),
        ("event", [(7, infected("superficial")), (40, infected("none"))], []),
        ("event", [(7, infected("superficial")), (40, infected("none"))], [record("infection", 5)]),
        ("event", [(40, infected("none"))], [record("infection", 30)]),
        ("no event", [(40, infected("none"))], [record("infection", 31)]),
        ("event", [(40, infected("deep"))], []),
        ("no event", [(40, infected("deep"))], [record("infection", 35)]),
        ("event", [(20, infected("none", "deep")), (40, infected("none"))], [record("infection", 35)]),
        # outside the denominator: known, not divided; a record without a day cannot be placed
        ("missed_visit, known", [(7, infected("superficial"))], []),
        ("missed_visit, known", [], [record("infection", 3)]),
        ("no event, known", [(40, infected("none"))], [record("infection", None)]),
        ("event", [(40, infected("deep"))], [record("infection", None)]),
    ],
)
def test_infection_within_30_days(
    empty: Registry, expected: str, contacts: list[tuple[int, dict[str, Any]]], records: list[Row]
) -> None:
    one_session(empty, contacts, records)
    assert outcome(empty, "infection", DAY_30) == expected


@pytest.mark.parametrize(
    ("expected", "contacts", "records", "facts"),
    [
        ("no event", [(30, {})], [], {}),
        ("no event", [(900, {})], [], {}),
        ("missed_visit", [(29, {})], [], {}),
        ("event", [(30, {})], [record("necrosis", 30, "severe")], {}),
        ("no event", [(30, {})], [record("necrosis", 31, "severe")], {}),
        ("no event", [(30, {})], [record("infection", 3, "severe")], {}),
        ("missed_visit, known", [], [record("necrosis", 8, "severe")], {}),
        # a contact of another kind, in time
        ("no event", [], [], {"patient": {"last_contact_on": on(30)}}),
        ("missed_visit", [], [], {"patient": {"last_contact_on": on(29)}}),
        ("not_reached", [], [], {"patient": {"last_contact_on": on(29), "status_at_last_contact": "not_reached"}}),
        ("died", [], [], {"patient": {"died_on": on(120), "status_at_last_contact": "died"}}),
        (
            "operated_again",
            [(30, {})],
            [],
            {"others": [{"session_key": "t", "patient_key": "p", "session_number": 2, "performed_on": on(29)}]},
        ),
        (
            "no event",
            [(30, {})],
            [],
            {"others": [{"session_key": "t", "patient_key": "p", "session_number": 2, "performed_on": on(30)}]},
        ),
        ("dates_shifted", [(30, {})], [], {"patient": {"dates_shifted": True}}),
    ],
)
def test_a_kind_known_from_records_alone(
    empty: Registry,
    expected: str,
    contacts: list[tuple[int, dict[str, Any]]],
    records: list[Row],
    facts: dict[str, Any],
) -> None:
    one_session(empty, contacts, records, **facts)
    assert outcome(empty, "necrosis", DAY_30) == expected


@pytest.mark.parametrize(
    ("expected", "kind", "contacts", "records"),
    [
        ("missed_visit", "necrosis", [], []),
        ("no event", "necrosis", [(1, {})], []),
        ("event", "necrosis", [(1, {})], [record("necrosis", 2000, "severe")]),
        ("event", "necrosis", [(1, {})], [record("necrosis", None, "severe")]),
        ("no event", "infection", [(9, infected("none")), (900, infected(None))], []),
        ("item_empty", "infection", [(9, infected(None)), (900, infected("none"))], []),
        ("event", "infection", [(9, infected("none")), (900, infected("superficial"))], []),
        ("event", "infection", [(9, infected("none"))], [record("infection", 1200)]),
    ],
)
def test_ever(
    empty: Registry, expected: str, kind: str, contacts: list[tuple[int, dict[str, Any]]], records: list[Row]
) -> None:
    one_session(empty, contacts, records)
    assert outcome(empty, kind, EVER) == expected


def test_what_is_told_after_a_further_session_is_not_of_the_first(empty: Registry) -> None:
    again = [{"session_key": "t", "patient_key": "p", "session_number": 2, "performed_on": on(400)}]
    one_session(empty, [(9, infected("none")), (401, infected("deep"))], others=again)
    assert outcome(empty, "infection", EVER) == "no event"
    one_session(empty, [(9, infected("none")), (400, infected("deep"))], others=again)
    assert outcome(empty, "infection", EVER) == "event"


@pytest.mark.parametrize(
    ("severity", "code", "expected"),
    [
        ("any", "mild", "event"),
        ("moderate", "mild", "no event"),
        ("moderate", "moderate", "event"),
        ("moderate", "severe", "event"),
        ("severe", "moderate", "no event"),
        ("severe", "severe", "event"),
    ],
)
def test_severity_is_what_it_took_to_treat(empty: Registry, severity: str, code: str, expected: str) -> None:
    # the contact's "deep" is another scale: it tells of infection at any severity alone
    one_session(empty, [(9, infected("deep")), (40, infected("none"))], [record("infection", 5, code)])
    assert outcome(empty, "infection", DAY_30, severity) == expected


def test_swelling_has_degrees_of_its_own(empty: Registry) -> None:
    contacts = [(9, {"swelling_since_last": "moderate"}), (40, {"swelling_since_last": "none"})]
    one_session(empty, contacts, [record("swelling", 2, "severe")])
    assert [outcome(empty, "swelling", DAY_30, severity) for severity in SEVERITIES] == ["event", "event", "no event"]
    one_session(empty, [(40, {"swelling_since_last": "none"})], [record("swelling", 2, "severe")])
    assert [outcome(empty, "swelling", DAY_30, severity) for severity in SEVERITIES] == ["event", *["no event"] * 2]


def test_an_event_that_may_have_fallen_after_the_window_is_told(empty: Registry) -> None:
    one_session(empty, [(40, infected("deep"))])
    figures = complication_incidence(empty, kinds=["infection"], windows=[DAY_30])
    assert [(f.measure, f.events) for f in figures[:2]] == [
        ("complication_infection_any", 1),
        ("complication_infection_any_straddling", 1),
    ]
    one_session(empty, [(40, infected("deep"))], [record("infection", 12)])
    assert "straddling" not in complication_incidence(empty, kinds=["infection"], windows=[DAY_30])[1].measure


def test_per_patient(empty: Registry) -> None:
    """Three patients with two sessions: one well, one with an event after the second, one not assessed the once."""
    sessions, visits = [], []
    for patient in ("a", "b", "c"):
        for number, day in ((1, 0), (2, 1000)):
            key = f"{patient}{number}"
            sessions.append(
                {"session_key": key, "patient_key": patient, "session_number": number, "performed_on": on(day)}
            )
            if key != "c2":
                answer = infected("deep" if key == "b2" else "none")
                visits.append({"session_key": key, "visited_on": on(day + 30), **answer})
    fill(empty, patient=[{"patient_key": name} for name in "abc"], session=sessions, visit=visits)
    per_session = complication_incidence(empty, kinds=["infection"], windows=[DAY_30])[0]
    per_patient = complication_incidence(empty, kinds=["infection"], windows=[DAY_30], per="patient")[0]
    assert (per_session.n, per_session.n_clusters, per_session.events) == (5, 3, 1)
    assert (per_patient.n, per_patient.n_clusters, per_patient.events) == (2, 2, 1)
    assert per_patient.n_unit == "patients"
    assert per_patient.not_counted == {"missed_visit": 1}
    # by a field of the session, a patient stands in each group that has a session
    by = complication_incidence(empty, kinds=["infection"], windows=[DAY_30], per="patient", by=("session_number",))
    assert [(f.group["session_number"], f.n, f.events) for f in by[:2]] == [("1", 3, 0), ("2", 2, 1)]


def test_several_sessions_a_patient_widen_the_limits(empty: Registry) -> None:
    """Forty patients, each twice; events stay together, so eighty sessions tell as much as forty."""
    sessions, visits = [], []
    for number in range(40):
        for again in (1, 2):
            key = f"{number}x{again}"
            sessions.append(
                {
                    "session_key": key,
                    "patient_key": f"p{number}",
                    "session_number": again,
                    "performed_on": on(1000 * (again - 1)),
                }
            )
            answer = infected("deep" if number < 8 else "none")
            visits.append({"session_key": key, "visited_on": on(1000 * (again - 1) + 30), **answer})
    fill(empty, patient=[{"patient_key": f"p{n}"} for n in range(40)], session=sessions, visit=visits)
    figure = complication_incidence(empty, kinds=["infection"], windows=[DAY_30])[0]
    assert (figure.n, figure.n_clusters, figure.events, figure.estimate) == (80, 40, 16, 0.2)
    plain, halved = wilson(16, 80), wilson(8, 40)
    assert figure.lower is not None
    assert figure.upper is not None
    assert figure.upper - figure.lower > 1.3 * (plain.upper - plain.lower)
    # the design effect is 2 x 79 / 78 for m = 40 pairs, and t on 79 over 39 degrees of freedom: a little wider still
    assert (figure.lower, figure.upper) == pytest.approx((halved.lower, halved.upper), abs=0.006)
    exact = complication_incidence(empty, kinds=["infection"], windows=[DAY_30], limits="clopper_pearson")[0]
    assert exact.lower is not None
    assert exact.upper is not None
    assert exact.lower < figure.lower
    assert exact.upper > figure.upper


@pytest.mark.parametrize("by", [(), ("technique",)])
def test_sums_over_patients_by_hand(empty: Registry, by: tuple[str, ...]) -> None:
    """Patient a: three sessions, two with the event; b: two, one of them not assessed but known to have had it; c: one,
    with it. Told by contacts (infection) and, in the same sessions, by records alone (necrosis).

    *By hand*: sessions 3, 1, 1 and events 2, 0, 1 a patient; squares 9 + 1 + 1 and 4 + 0 + 1, products 6 + 0 + 1.
    """
    told = {"a": [True, True, False], "b": [False, True], "c": [True]}
    sessions, visits, records = [], [], []
    for patient, events in told.items():
        for number, event in enumerate(events):
            key, day = f"{patient}{number}", 500 * number
            sessions.append(
                {
                    "session_key": key,
                    "patient_key": patient,
                    "session_number": number + 1,
                    "performed_on": on(day),
                    "technique": "strip",
                }
            )
            if key == "b1":
                records.append({"session_key": key, **record("infection", 3)})
            else:
                visits.append({"session_key": key, "visited_on": on(day + 30), **infected("deep" if event else "none")})
            if event:
                records.append({"session_key": key, **record("necrosis", 3)})
    fill(empty, patient=[{"patient_key": name} for name in told], session=sessions, visit=visits, complication=records)
    fields = chosen_fields(by, empty.settings)
    request = ComplicationRequest(empty, fields, EVERYBODY, ("infection", "necrosis"))
    (counts,) = window_counts(request, [DAY_30])
    group = ("strip",) if by else ()
    for measure in request.measures:
        sums = ratio_sums(*counts.of(group, measure))
        assert sums == RatioSums(n_clusters=3, sum_y=3, sum_x=5, sum_yy=5, sum_xy=7, sum_xx=11), measure
        assert counts.of(group, measure)[1].events == {None: 3, "missed_visit": 1}
        assert counts.of(group, measure)[0].reasons == {"missed_visit": 1}


def test_no_event_gives_the_one_sided_bound(empty: Registry) -> None:
    """Hanley & Lippman-Hand 1983, by hand: 1 - 0.05 ** (1 / 140) = 0.02117."""
    names = [f"p{number}" for number in range(140)]
    fill(
        empty,
        patient=[{"patient_key": name} for name in names],
        session=[{"session_key": name, "patient_key": name} for name in names],
        visit=[{"session_key": name, "visited_on": on(30)} for name in names],
    )
    figure = complication_incidence(empty, kinds=["necrosis"], windows=[DAY_30])[0]
    assert (figure.estimate, figure.lower, figure.events, figure.n) == (0.0, 0.0, 0, 140)
    assert figure.upper == pytest.approx(0.02117, abs=5e-6)
    assert figure.method == "zero_event_upper"


def test_the_same_as_the_measures_of_the_audit(empty: Registry) -> None:
    """Severe swelling and bruised eyes by day 7, folliculitis and infection by day 60: counts of `complications`."""
    rows: list[dict[str, Any]] = []
    for number in range(24):
        rows.append(
            {
                "session_key": f"p{number}",
                "visited_on": on((3, 7, 10, 40)[number % 4]),
                "swelling_since_last": (None, "none", "severe")[number % 3],
                "periorbital_bruising_since_last": (None, True, False, False, True)[number % 5],
                "folliculitis_since_last": (True, False, None)[number % 3],
                **infected(("none", "deep")[number % 2]),
            }
        )
        rows.append(
            {
                "session_key": f"p{number}",
                "visited_on": on(60 + number),
                "folliculitis_since_last": number % 7 == 0,
                **infected("none"),
            }
        )
    fill(
        empty,
        patient=[{"patient_key": f"p{n}"} for n in range(24)],
        session=[{"session_key": f"p{n}", "patient_key": f"p{n}"} for n in range(24)],
        visit=rows,
        complication=[{"session_key": f"p{n}", **record("folliculitis", 10 * n)} for n in range(0, 12, 2)],
    )
    mine = {
        (f.measure, f.window): f
        for f in complication_incidence(empty, severities=("any", "severe"), windows=[Window(7), Window(60)])
    }
    pairs = {
        "severe_swelling": ("complication_swelling_severe", "0-7"),
        "bruised_eyes": ("complication_periorbital_bruising_any", "0-7"),
        "folliculitis": ("complication_folliculitis_any", "0-60"),
        "infection": ("complication_infection_any", "0-60"),
    }
    compared = 0
    for theirs in complications(empty):
        if theirs.measure in pairs:
            found = mine[pairs[theirs.measure]]
            assert (found.n, found.events, found.not_counted) == (theirs.n, theirs.events, theirs.not_counted)
            assert found.n
            compared += 1
    assert compared == 4


@st.composite
def registries(draw: st.DrawFn) -> dict[str, list[dict[str, Any]]]:
    """A few patients with sessions, contacts and records in any order."""
    sessions, visits, records = [], [], []
    patients = draw(st.integers(1, 4))
    for patient in range(patients):
        day = 0
        for number in range(1, draw(st.integers(1, 2)) + 1):
            key = f"s{patient}x{number}"
            technique = draw(st.sampled_from(["strip", "combined"]))
            sessions.append(
                {
                    "session_key": key,
                    "patient_key": f"p{patient}",
                    "session_number": number,
                    "performed_on": on(day),
                    "technique": technique,
                }
            )
            for gap in draw(st.lists(st.integers(0, 150), max_size=4, unique=True)):
                visits.append(
                    {
                        "session_key": key,
                        "visited_on": on(day + gap),
                        "infection_since_last": draw(st.sampled_from([None, "none", "superficial"])),
                        "infection": draw(st.sampled_from([None, "none", "deep"])),
                        "swelling_since_last": draw(st.sampled_from([None, "none", "mild", "severe"])),
                    }
                )
            for _ in range(draw(st.integers(0, 2))):
                records.append(
                    {
                        "session_key": key,
                        "kind": draw(st.sampled_from(["infection", "necrosis"])),
                        "severity": draw(st.sampled_from(["mild", "moderate", "severe"])),
                        "onset_day": draw(st.one_of(st.none(), st.integers(0, 200))),
                    }
                )
            day += draw(st.integers(10, 900))
    return {
        "patient": [{"patient_key": f"p{n}"} for n in range(patients)],
        "session": sessions,
        "visit": visits,
        "complication": records,
    }


def of(figures: Sequence[Figure], suffix: str = "") -> dict[str, list[Figure]]:
    """Figures of each measure that ends so, in their order."""
    found: dict[str, list[Figure]] = {}
    for figure in figures:
        if figure.measure.endswith(suffix):
            found.setdefault(figure.measure, []).append(figure)
    return found


@settings(max_examples=8, deadline=None)
@given(content=registries(), days=st.sampled_from([7, 30, 60, 365, None]))
def test_what_always_holds(empty: Registry, content: dict[str, list[dict[str, Any]]], days: int | None) -> None:
    """Nobody is lost, severity narrows, groups add up, telling twice changes nothing, bounds hold the share."""
    kinds, window = ("infection", "necrosis", "swelling"), [Window(days)]
    fill(empty, **content)
    figures = complication_incidence(empty, kinds=kinds, severities=tuple(SEVERITIES), windows=window)
    for kind in kinds:
        any_, moderate, severe = (
            next(f for f in figures if f.measure == f"complication_{kind}_{severity}") for severity in SEVERITIES
        )
        assert any_.n + sum(any_.not_counted.values()) == len(content["session"])
        assert (any_.n, any_.not_counted) == (severe.n, severe.not_counted)
        assert (any_.events or 0) >= (moderate.events or 0) >= (severe.events or 0)
    parts = complication_incidence(empty, kinds=kinds, windows=window, by=("technique",))
    for kind in kinds:
        name = f"complication_{kind}_any"
        whole = next(f for f in figures if f.measure == name)
        assert whole.n == sum(f.n for f in parts if f.measure == name)
        assert whole.events == sum(f.events or 0 for f in parts if f.measure == name)
    for figure in complication_incidence(empty, kinds=kinds, windows=window, per="patient"):
        if figure.measure.endswith("_any"):
            assert figure.n + sum(figure.not_counted.values()) == len(content["patient"])
            assert (figure.events or 0) <= figure.n == figure.n_clusters
    bounds = complication_sensitivity(empty, kinds=kinds, windows=window)
    for kind in kinds:
        name = f"complication_{kind}_any"
        by_name = {f.measure: f for f in bounds}
        share, least, most = by_name[name], by_name[f"{name}_at_least"], by_name[f"{name}_at_most"]
        assert (
            least.n
            == most.n
            == share.n
            + sum(share.not_counted.get(reason, 0) for reason in ("missed_visit", "not_reached", "item_empty"))
        )
        assert 0 <= (least.events or 0) <= (most.events or 0) <= least.n
        assert (least.events or 0) <= (share.events or 0) + (least.n - share.n)
    twice = {**content, "complication": content["complication"] * 2}
    fill(empty, **twice)
    assert of(complication_incidence(empty, kinds=kinds, severities=tuple(SEVERITIES), windows=window)) == of(figures)


def test_bounds_and_weights_by_hand(empty: Registry) -> None:
    """Two sites of 100: at A 80 are assessed, 8 with necrosis; at B 50, 20 with it; 2 of those missing had it.

    At least 30 / 200, at most (28 + 70) / 200; weighted (100 x 0.1 + 100 x 0.4) / 200 = 0.25, weights 1.25 and 2;
    Kish 200 ** 2 / (1.25 ** 2 x 80 + 2 ** 2 x 50) = 123.1 of 130.
    """
    names = [f"{site}{number}" for site in "AB" for number in range(100)]
    assessed = [f"A{n}" for n in range(80)] + [f"B{n}" for n in range(50)]
    ill = [f"A{n}" for n in range(8)] + [f"B{n}" for n in range(20)] + ["A90", "B90"]
    fill(
        empty,
        patient=[{"patient_key": name, "site_code": name[0]} for name in names],
        session=[{"session_key": name, "patient_key": name, "site_code": name[0]} for name in names],
        visit=[{"session_key": name, "visited_on": on(30)} for name in assessed],
        complication=[{"session_key": name, **record("necrosis", 5)} for name in ill],
        site_period=[{"site_code": site, "records_complete_to": on(END)} for site in "AB"],
    )
    figures = {f.measure: f for f in complication_sensitivity(empty, kinds=["necrosis"], windows=[DAY_30])}
    name = "complication_necrosis_any"
    assert (figures[name].events, figures[name].n) == (28, 130)
    assert figures[f"{name}_at_least"].estimate == 30 / 200
    assert figures[f"{name}_at_most"].estimate == (28 + 70) / 200
    assert figures[f"{name}_weighted"].estimate == pytest.approx(0.25)
    assert figures[f"{name}_lightest_weight"].estimate == 1.25
    assert figures[f"{name}_heaviest_weight"].estimate == 2.0
    assert figures[f"{name}_effective_share"].estimate == pytest.approx(123.0769 / 130, abs=1e-5)
    assert figures["complication_records_assessed"].estimate == 130 / 200
    assert figures["complication_records_assessed"].events == 130


def test_what_happened_later_is_ignored(empty: Registry) -> None:
    one_session(empty, [(30, {}), (400, {})], [record("necrosis", 390)])
    assert outcome(empty, "necrosis", YEAR, as_of=on(449)) == "not_due"
    assert outcome(empty, "necrosis", EVER, as_of=on(389)) == "no event"
    assert outcome(empty, "necrosis", EVER, as_of=on(390)) == "event"


def test_words() -> None:
    assert checked_kinds([]) == KINDS
    assert parse_window("12m") == YEAR
    for wrong in (lambda: checked_kinds(["infecton"]), lambda: parse_window("0d"), lambda: parse_window("soon")):
        with pytest.raises(GraftledgerError):
            wrong()


def test_observed_to_is_where_follow_up_ends(empty: Registry) -> None:
    """A contact after the records are complete tells nothing yet."""
    start = date(2020, 1, 1)
    fill(
        empty,
        patient=[{"patient_key": "p", "last_contact_on": start + timedelta(days=300)}],
        session=[{"session_key": "s", "patient_key": "p", "performed_on": start}],
        visit=[{"session_key": "s", "visited_on": start + timedelta(days=300)}],
        site_period=[{"records_complete_to": start + timedelta(days=200)}],
    )
    assert outcome(empty, "necrosis", DAY_30) == "missed_visit"
