"""Every rule of the complication measures, one session at a time. All expected values are *by hand*."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from pipelines import Figure, complications
from pipelines.estimators import wilson
from registry.store import Registry
from tests.small_registry import Row, insert_rows, on, registry_in_memory

END = 1000
RECORDS = ("patient", "session", "visit", "complication", "site_period")


@pytest.fixture(scope="module")
def empty() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        yield opened


def fill(registry: Registry, **records: list[Row]) -> None:
    records.setdefault("site_period", [{"records_complete_to": on(END)}])
    for name in RECORDS:
        registry.connection.execute(f"delete from {name}")
        insert_rows(registry, name, records.get(name, []))


def judged(
    registry: Registry,
    measure: str,
    contacts: list[tuple[int, dict[str, Any]]],
    *,
    at: int | None = None,
    patient: Row | None = None,
    session: Row | None = None,
    others: list[Row] | None = None,
    complication: list[Row] | None = None,
    **options: Any,
) -> str:
    """What becomes of one session on day 0: "event", "no event", or why it is not counted."""
    fill(
        registry,
        patient=[{"patient_key": "p", **(patient or {})}],
        session=[{"session_key": "s", "patient_key": "p", **(session or {})}, *(others or [])],
        visit=[{"session_key": "s", "visited_on": on(day), **answers} for day, answers in contacts],
        complication=[{"session_key": "s", **row} for row in complication or []],
    )
    figures = complications(registry, by=("session_number",), **options)
    alone = complications(registry, by=("session_number",), measures={measure}, **options)
    assert alone == tuple(figure for figure in figures if figure.measure == measure)
    (figure,) = (f for f in figures if (f.measure, f.at, f.group["session_number"]) == (measure, at, "1"))
    assert figure.n + sum(figure.not_counted.values()) == 1
    if figure.n:
        return "event" if figure.events else "no event"
    (reason,) = figure.not_counted
    return reason


def swelling(worst: str | None, now: str | None = None) -> dict[str, Any]:
    return {"swelling_since_last": worst, "swelling_now": now}


def again(day: int, **fields: Any) -> list[Row]:
    """A further session."""
    return [{"session_key": "s2", "patient_key": "p", "session_number": 2, "performed_on": on(day), **fields}]


@pytest.mark.parametrize(
    ("expected", "contacts"),
    [
        # the chain reaches the end of the window
        ("no event", [(7, swelling("none"))]),
        ("no event", [(1, swelling("none")), (7, swelling("mild"))]),
        ("no event", [(1, swelling("none")), (14, swelling("moderate"))]),
        ("no event", [(0, swelling(None)), (7, swelling("none"))]),
        # it does not
        ("missed_visit", []),
        ("missed_visit", [(6, swelling("none"))]),
        ("missed_visit", [(1, swelling("severe"))]),
        ("missed_visit", [(15, swelling("none"))]),
        # it is broken: looking is not asking, and one who was not asked is not covered by the next
        ("item_empty", [(7, swelling(None, now="none"))]),
        ("item_empty", [(1, swelling(None)), (7, swelling("none"))]),
        ("item_empty", [(1, swelling("severe")), (7, swelling(None))]),
        ("item_empty", [(8, swelling(None)), (12, swelling("none"))]),
        # two contacts on one day are one
        ("no event", [(7, swelling(None)), (7, swelling("none"))]),
        ("event", [(7, swelling("none")), (7, swelling("severe"))]),
        # the event: told, or seen
        ("event", [(1, swelling("severe")), (7, swelling("none"))]),
        ("event", [(7, swelling("severe"))]),
        ("event", [(1, swelling("none")), (14, swelling("severe"))]),
        ("event", [(3, swelling("none", now="severe")), (7, swelling("none"))]),
        # after the closing contact, or seen after the window: not in it
        ("no event", [(8, swelling("none")), (12, swelling("severe"))]),
        ("no event", [(8, swelling("none")), (12, swelling(None))]),
        ("no event", [(10, swelling("none", now="severe"))]),
    ],
)
def test_the_chain(empty: Registry, expected: str, contacts: list[tuple[int, dict[str, Any]]]) -> None:
    assert judged(empty, "severe_swelling", contacts) == expected


ASKED = [(7, swelling("none"))]
LATE = [(10, swelling("none"))]


@pytest.mark.parametrize(
    ("expected", "contacts", "facts"),
    [
        ("died", [], {"patient": {"died_on": on(3), "status_at_last_contact": "died"}}),
        ("died", [(3, swelling("none"))], {"patient": {"died_on": on(14), "status_at_last_contact": "died"}}),
        ("no event", ASKED, {"patient": {"died_on": on(9), "status_at_last_contact": "died"}}),
        ("missed_visit", [], {"patient": {"died_on": on(15), "status_at_last_contact": "died"}}),
        ("operated_again", ASKED, {"others": again(6)}),
        ("no event", ASKED, {"others": again(7)}),
        ("no event", LATE, {"others": again(8)}),
        ("operated_again", LATE, {"others": again(6, surgeon_code="elsewhere", learned_on=on(900))}),
        ("operated_again", [], {"others": again(14)}),
        ("missed_visit", [], {"others": again(15)}),
        ("item_empty", [(8, swelling(None))], {"others": again(12)}),
        ("operated_again", [(8, swelling(None))], {"others": again(7)}),
        ("not_due", ASKED, {"session": {"performed_on": on(0)}, "as_of": on(13)}),
        ("no event", ASKED, {"as_of": on(14)}),
        ("not_reached", [], {"patient": {"status_at_last_contact": "not_reached", "last_contact_on": on(6)}}),
        ("not_reached", [], {"patient": {"status_at_last_contact": "left_care"}}),
        ("missed_visit", [], {"patient": {"status_at_last_contact": "left_care", "last_contact_on": on(7)}}),
        ("missed_visit", [], {"patient": {"status_at_last_contact": "discharged", "last_contact_on": on(1)}}),
        ("no_declaration", ASKED, {"session": {"site_code": "B"}}),
        ("dates_shifted", ASKED, {"patient": {"dates_shifted": True}}),
        ("no_start_date", ASKED, {"session": {"performed_precision": "month"}}),
        ("no event", ASKED, {"session": {"performed_precision": "day"}}),
    ],
)
def test_who_is_not_counted(
    empty: Registry, expected: str, contacts: list[tuple[int, dict[str, Any]]], facts: dict[str, Any]
) -> None:
    assert judged(empty, "severe_swelling", contacts, **facts) == expected


def bruised(answer: bool | None) -> dict[str, Any]:
    return {"periorbital_bruising_since_last": answer}


def record(kind: str, onset: int | None) -> Row:
    return {"kind": kind, "onset_day": onset}


@pytest.mark.parametrize(
    ("expected", "contacts", "complication"),
    [
        ("event", [(7, bruised(False))], [record("periorbital_bruising", 7)]),
        ("no event", [(7, bruised(False))], [record("periorbital_bruising", 8)]),
        ("no event", [(7, bruised(False))], [record("periorbital_bruising", None)]),
        ("no event", [(7, bruised(False))], [record("haematoma", 2)]),
        # a positive closing contact past the window: the record places the onset
        ("event", [(10, bruised(True))], []),
        ("no event", [(10, bruised(True))], [record("periorbital_bruising", 8)]),
        ("event", [(10, bruised(True))], [record("periorbital_bruising", 7)]),
        ("event", [(10, bruised(True))], [record("periorbital_bruising", 9), record("periorbital_bruising", 2)]),
        ("event", [(10, bruised(True))], [record("periorbital_bruising", None)]),
        # one that told of it inside the window has the last word
        ("event", [(7, bruised(True))], [record("periorbital_bruising", 8)]),
        ("event", [(3, bruised(True)), (10, bruised(True))], [record("periorbital_bruising", 8)]),
        # an event without a chain counts neither way
        ("missed_visit", [(3, bruised(True))], [record("periorbital_bruising", 2)]),
    ],
)
def test_complication_records(
    empty: Registry, expected: str, contacts: list[tuple[int, dict[str, Any]]], complication: list[Row]
) -> None:
    assert judged(empty, "bruised_eyes", contacts, complication=complication) == expected


def test_no_measure_gives_no_figure(empty: Registry) -> None:
    assert complications(empty, measures=()) == ()


def test_the_severity_of_a_record_is_another_scale_than_that_of_swelling(empty: Registry) -> None:
    rows = [{"kind": "swelling", "severity": "severe", "onset_day": 2}]
    assert judged(empty, "severe_swelling", ASKED, complication=rows) == "no event"


@pytest.mark.parametrize(
    ("expected", "measure", "contacts"),
    [
        ("no event", "folliculitis", [(60, {"folliculitis_since_last": False})]),
        ("event", "folliculitis", [(120, {"folliculitis_since_last": True})]),
        ("missed_visit", "folliculitis", [(121, {"folliculitis_since_last": False})]),
        ("event", "folliculitis", [(60, {"folliculitis_since_last": False, "folliculitis_lesions": 1})]),
        ("no event", "folliculitis", [(60, {"folliculitis_since_last": False, "folliculitis_lesions": 0})]),
        ("item_empty", "folliculitis", [(60, {"folliculitis_lesions": 0})]),
        ("no event", "infection", [(60, {"infection_since_last": "none"})]),
        ("event", "infection", [(60, {"infection_since_last": "superficial"})]),
        (
            "event",
            "infection",
            [(9, {"infection_since_last": "none", "infection": "deep"}), (61, {"infection_since_last": "none"})],
        ),
        ("item_empty", "infection", [(60, {"infection": "none"})]),
    ],
)
def test_folliculitis_and_infection(
    empty: Registry, expected: str, measure: str, contacts: list[tuple[int, dict[str, Any]]]
) -> None:
    assert judged(empty, measure, contacts) == expected


def numb(donor: str | None, recipient: str | None) -> dict[str, Any]:
    return {"numbness_donor": donor, "numbness_recipient": recipient}


@pytest.mark.parametrize(
    ("either", "donor", "recipient", "contacts"),
    [
        ("no event", "no event", "no event", [(182, numb("none", "none"))]),
        ("event", "event", "no event", [(182, numb("reduced", "none"))]),
        ("event", "no event", "event", [(182, numb("none", "absent_sensation"))]),
        ("item_empty", "event", "item_empty", [(182, numb("reduced", None))]),
        ("item_empty", "no event", "item_empty", [(182, numb("none", None))]),
        ("item_empty", "item_empty", "item_empty", [(182, numb(None, None))]),
        ("missed_visit", "missed_visit", "missed_visit", [(149, numb("none", "none")), (211, numb("none", "none"))]),
        ("event", "event", "event", [(150, numb("reduced", "reduced"))]),
        # the nearest that answers; of two equally near the earlier
        ("no event", "no event", "no event", [(160, numb("reduced", "reduced")), (190, numb("none", "none"))]),
        ("event", "event", "event", [(160, numb("reduced", "reduced")), (190, numb(None, None))]),
        ("event", "event", "event", [(180, numb("reduced", "reduced")), (184, numb("none", "none"))]),
    ],
)
def test_numbness_at_month_6(
    empty: Registry, either: str, donor: str, recipient: str, contacts: list[tuple[int, dict[str, Any]]]
) -> None:
    assert judged(empty, "numbness", contacts, at=182) == either
    assert judged(empty, "numbness_donor", contacts, at=182) == donor
    assert judged(empty, "numbness_recipient", contacts, at=182) == recipient


@pytest.mark.parametrize(
    ("expected", "contacts", "facts"),
    [
        ("event", [(300, numb("reduced", "reduced"))], {}),
        ("missed_visit", [(299, numb("reduced", "reduced")), (451, numb("none", "none"))], {}),
        # contacts from a further session on tell of both sessions
        ("event", [(310, numb("reduced", "reduced")), (365, numb("none", "none"))], {"others": again(365)}),
        ("operated_again", [(365, numb("none", "none"))], {"others": again(365)}),
        ("operated_again", [], {"others": again(450)}),
        ("missed_visit", [], {"others": again(451)}),
        ("died", [], {"patient": {"died_on": on(450), "status_at_last_contact": "died"}}),
        (
            "no event",
            [(320, numb("none", "none"))],
            {"patient": {"died_on": on(400), "status_at_last_contact": "died"}},
        ),
        ("not_due", [(365, numb("none", "none"))], {"as_of": on(449)}),
        ("not_reached", [], {"patient": {"status_at_last_contact": "not_reached", "last_contact_on": on(299)}}),
        ("missed_visit", [], {"patient": {"status_at_last_contact": "not_reached", "last_contact_on": on(300)}}),
    ],
)
def test_numbness_at_month_12(
    empty: Registry, expected: str, contacts: list[tuple[int, dict[str, Any]]], facts: dict[str, Any]
) -> None:
    assert judged(empty, "numbness", contacts, at=365, **facts) == expected


def test_the_share_and_what_stands_beside_it(empty: Registry) -> None:
    """Ten patients, twelve sessions: eleven assessed, two with severe swelling, one not asked."""
    sessions = [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(10)]
    sessions += [
        {"session_key": f"t{n}", "patient_key": f"p{n}", "session_number": 2, "performed_on": on(500)} for n in (0, 1)
    ]
    visits = [
        {"session_key": key, "visited_on": on(7 + (500 if key[0] == "t" else 0)), **swelling(worst)}
        for key, worst in [
            *((f"s{n}", "severe" if n < 2 else "none") for n in range(9)),
            ("s9", None),
            ("t0", "none"),
            ("t1", "none"),
        ]
    ]
    fill(empty, patient=[{"patient_key": f"p{n}"} for n in range(10)], session=sessions, visit=visits)
    figure = next(f for f in complications(empty) if f.measure == "severe_swelling")
    interval = wilson(2, 11)
    assert figure == Figure(
        "severe_swelling",
        11,
        "sessions",
        "wilson",
        estimate=2 / 11,
        lower=interval.lower,
        upper=interval.upper,
        n_clusters=9,
        events=2,
        window="0-7",
        not_counted={"item_empty": 1},
    )


def test_every_group_is_shown_and_small_ones_are_flagged(empty: Registry) -> None:
    fill(
        empty,
        patient=[{"patient_key": "p"}],
        session=[{"session_key": "s", "patient_key": "p", "technique": None, "surgeon_code": "S2"}],
        visit=[{"session_key": "s", "visited_on": on(7), **swelling("none")}],
    )
    figures = [f for f in complications(empty, by=("technique", "surgeon_code")) if f.measure == "severe_swelling"]
    assert [(*f.group.values(), f.n) for f in figures] == [
        ("strip", "S1", 0),
        ("strip", "S2", 0),
        ("follicular_unit_excision", "S1", 0),
        ("follicular_unit_excision", "S2", 0),
        ("combined", "S1", 0),
        ("combined", "S2", 0),
        ("not recorded", "S1", 0),
        ("not recorded", "S2", 1),
    ]
    assert all(f.flags == ("too_few",) for f in figures)
    assert [f.estimate for f in figures] == [None] * 7 + [0.0]
    assert figures[-1].upper == pytest.approx(wilson(0, 1).upper)


def test_sessions_elsewhere_are_not_judged(empty: Registry) -> None:
    fill(
        empty,
        patient=[{"patient_key": "p"}],
        session=[{"session_key": "s", "patient_key": "p", "surgeon_code": "elsewhere", "learned_on": on(9)}],
        visit=[{"session_key": "s", "visited_on": on(7), **swelling("severe")}],
    )
    assert {(f.n, tuple(f.not_counted)) for f in complications(empty)} == {(0, ())}
