"""Process measures. Every expectation is *by hand*."""

from __future__ import annotations

from pathlib import Path

from pipelines.figure import Figure
from pipelines.groups import choose
from pipelines.process_labels import PROCESS_LABELS
from pipelines.process_measures import process_by_span, process_measures
from pipelines.spans import Span
from tests.small_registry import on, small_registry

from .follow_up.test_milestones import patients, session, visits


def shares(folder: Path, **records: object) -> dict[str, Figure]:
    with small_registry(folder, **records) as registry:  # type: ignore[arg-type]
        return {figure.measure: figure for figure in process_measures(registry)}


def test_review_counts_and_stopping_does_not(empty_registry: Path) -> None:
    """None taken, stopped with the prescriber, continued: reviewed. Not answered: in no denominator."""
    answers = ("none_taken", "stopped_with_prescriber", "continued", "not_reviewed", None)
    names = [f"p{number}" for number in range(len(answers))]
    sessions = [
        session(name, bleeding_risk_medicines=answer, allergies_recorded=allergies)
        for name, answer, allergies in zip(names, answers, ("yes", "no", "unknown", None, "yes"), strict=True)
    ]
    found = shares(empty_registry, patient=patients(*names), session=sessions)
    medicines, allergies = found["medicines_reviewed"], found["allergies_recorded"]
    assert (medicines.events, medicines.n, medicines.not_counted) == (3, 4, {"item_empty": 1})
    assert (allergies.events, allergies.n, allergies.not_counted) == (2, 3, {"item_empty": 2})


def test_each_blood_test_by_itself(empty_registry: Path) -> None:
    tests = (["hiv", "ferritin"], ["none"], None)
    names = [f"p{number}" for number in range(len(tests))]
    sessions = [session(name, tests_done=done) for name, done in zip(names, tests, strict=True)]
    found = shares(empty_registry, patient=patients(*names), session=sessions)
    assert {
        name: (figure.events, figure.n) for name, figure in found.items() if name.startswith("test_")
    } == {f"test_{name}": (int(name in ("hiv", "ferritin")), 2) for name in (
        "hepatitis_b", "hepatitis_c", "hiv", "blood_count", "clotting", "ferritin", "thyroid",
    )}  # fmt: skip


def test_sutures_only_where_there_are_any_and_the_days_are_over(empty_registry: Path) -> None:
    """Out on day 7 and 14: on time; 4 and 15: not; not told at a contact; never seen; without a strip; too young."""
    days = {"a": 7, "b": 14, "c": 4, "d": 15}
    last = (on(0).replace(year=2020) - on(0)).days
    records = {
        "patient": patients(*days, "e", "f", "g", "h"),
        "session": [
            *(session(name) for name in (*days, "e", "f")),
            session("g", technique="follicular_unit_excision"),
            session("h", last - 5),
        ],
        "visit": [
            *({**visits(name, 20)[0], "sutures_out_on": on(day)} for name, day in days.items()),
            *visits("e", 20),
        ],
    }
    figure = shares(empty_registry, **records)["sutures_out_on_time"]
    assert (figure.events, figure.n) == (2, 4)
    assert figure.not_counted == {"not_due": 1, "missed_visit": 1, "item_empty": 1}


def test_contacts_of_the_first_week(empty_registry: Path) -> None:
    found = shares(
        empty_registry, patient=patients("a", "b"), session=[session("a"), session("b")], visit=visits("a", 1)
    )
    assert [(found[name].events, found[name].n) for name in ("contact_day_1", "contact_day_7")] == [(1, 2), (0, 2)]


def test_every_label_has_a_figure_also_where_there_is_nothing(empty_registry: Path) -> None:
    found = shares(empty_registry)
    assert list(found) == list(PROCESS_LABELS)
    assert {figure.estimate for figure in found.values()} == {None}


def test_spans_at_once_are_what_each_is_alone(empty_registry: Path) -> None:
    spans = (Span("late", on(100), on(199)), Span("early", on(0), on(49)))
    records = {
        "patient": patients("a", "b", "c"),
        "session": [
            session("a", 10, tests_done=["hiv"]),
            session("b", 70),
            session("c", 150, allergies_recorded="yes"),
        ],
        "visit": [*visits("a", 1, start=10), *visits("c", 7, start=150)],
    }
    with small_registry(empty_registry, **records) as registry:
        together = process_by_span(registry, spans, as_of=on(300))
        alone = tuple(
            process_measures(
                registry,
                chosen=choose(registry.settings, since=span.first_on, until=span.last_on),
                as_of=on(300),
            )
            for span in spans
        )
    assert together == alone
    assert [figure.n for figure in together[0]][1] == 1
