"""Time to the next session: each rule by hand, the fold against raw rows, nothing lost on the way."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipelines import Figure, time_to_next_session
from registry.errors import GraftledgerError
from registry.settings import SETTINGS_FILE
from tests.pipelines.next_session.records import FOLLOWED, patient, session, visit
from tests.small_registry import Row, on, small_registry


def one(folder: Path, records: dict[str, list[Row]], **options: Any) -> Figure:
    """The only figure for one day, everybody together."""
    with small_registry(folder, **records) as registry:
        (figure,) = time_to_next_session(registry, by=(), **{"at_days": [1000], **options})
    return figure


def test_by_hand(empty_registry: Path) -> None:
    """*By hand*: four patients from day 0; one next session on day 400, one on day 800, one death on day 600."""
    figure = one(
        empty_registry,
        {
            "patient": [
                patient("a"),
                patient("b"),
                patient("c", died_on=on(600), status_at_last_contact="died"),
                patient("d"),
            ],
            "session": [
                *(session(name) for name in "abcd"),
                session("a", 2, 400),
                session("b", 2, 800),
            ],
        },
    )
    assert figure.estimate == pytest.approx(1 - 3 / 4 * 1 / 2)
    assert (figure.n, figure.events, figure.at_risk) == (4, 2, 1)
    assert figure.method == "kaplan_meier_loglog"
    assert dict(figure.not_counted) == {}


def test_an_event_on_the_day_is_included_and_the_day_before_it_is_not(empty_registry: Path) -> None:
    records = {"patient": [patient("a"), patient("b")], "session": [session("a"), session("b"), session("a", 2, 400)]}
    with small_registry(empty_registry, **records) as registry:
        before, on_the_day = time_to_next_session(registry, by=(), at_days=[399, 400])
    assert (before.estimate, on_the_day.estimate) == (0.0, 0.5)  # by hand


@pytest.mark.parametrize(
    ("reason", "records"),
    [
        ("no_start_date", {"session": []}),
        ("no_start_date", {"session": [session("a", performed_precision="month")]}),
        ("no_start_date", {"session": [session("a", surgeon_code="elsewhere")]}),
        ("dates_shifted", {"patient": [patient("a", dates_shifted=True)]}),
        ("no_declaration", {"session": [session("a", site_code="B")]}),
        ("not_due", {"session": [session("a", day=FOLLOWED + 1)]}),
        ("not_first_here", {"patient": [patient("a", sessions_elsewhere=1)], "session": [session("a", 2)]}),
        ("not_first_here", {"session": [session("a", 1, 0, surgeon_code="elsewhere"), session("a", 2, 300)]}),
        ("not_first_here", {"session": [session("a", 2)]}),
        (
            "enrolled_late",
            {"patient": [patient("a", enrolled_on=on(500))], "session": [session("a"), session("a", 2, 500)]},
        ),
        ("enrolled_late", {"patient": [patient("a", enrolled_on=on(FOLLOWED))]}),
    ],
)
def test_every_reason_is_counted(empty_registry: Path, reason: str, records: dict[str, list[Row]]) -> None:
    figure = one(empty_registry, {"patient": [patient("a")], "session": [session("a")], **records})
    assert figure.n == 0
    assert dict(figure.not_counted) == {reason: 1}
    assert figure.estimate is None


def test_a_site_with_no_next_session_ends_at_its_own_declaration(empty_registry: Path) -> None:
    """A next session recorded after the day to which the site is complete must not count: others are not sent yet."""
    figure = one(
        empty_registry,
        {
            "patient": [patient("a"), patient("b")],
            "session": [session("a"), session("b"), session("a", 2, 950)],
            "site_period": [{"records_complete_to": on(900)}],
        },
        at_days=[900],
    )
    assert (figure.estimate, figure.events, figure.at_risk) == (0.0, 0, 0)


def test_past_the_follow_up_there_is_no_estimate(empty_registry: Path) -> None:
    figure = one(empty_registry, {"patient": [patient("a")], "session": [session("a")]}, at_days=[FOLLOWED + 1])
    assert (figure.estimate, figure.lower, figure.upper) == (None, None, None)
    assert figure.flags == ("beyond_follow_up",)


def test_few_at_risk_are_flagged(empty_registry: Path) -> None:
    names = [f"p{number}" for number in range(11)]
    records = {
        "patient": [patient(name) for name in names],
        "session": [*(session(name) for name in names), session("p0", 2, 500), session("p1", 2, 700)],
    }
    with small_registry(empty_registry, **records) as registry:
        enough, few = time_to_next_session(registry, by=(), at_days=[600, 800])
    assert (enough.at_risk, enough.flags) == (10, ())
    assert (few.at_risk, few.flags) == (9, ("too_few",))
    assert few.estimate is not None


def test_few_at_risk_early_on_are_flagged_too(empty_registry: Path) -> None:
    """With delayed entry the first days may rest on one patient, however many there are later."""
    late = [f"p{number}" for number in range(30)]
    records = {
        "patient": [patient("early"), *(patient(name, enrolled_on=on(300)) for name in late)],
        "session": [session("early"), *(session(name) for name in late)],
    }
    figure = one(empty_registry, records)
    assert (figure.at_risk, figure.flags) == (31, ("too_few",))


def test_when_everybody_is_enrolled_late_nothing_is_known_from_the_session_on(empty_registry: Path) -> None:
    names = [f"p{number}" for number in range(30)]
    figure = one(
        empty_registry,
        {"patient": [patient(n, enrolled_on=on(300)) for n in names], "session": [session(n) for n in names]},
    )
    assert figure.estimate is None
    assert figure.flags == ("too_few",)


def test_a_late_entry_is_at_risk_from_the_enrolment_on(empty_registry: Path) -> None:
    """*By hand*: at 400 two are at risk, one has a session; at 800 three are, one has a session."""
    figure = one(
        empty_registry,
        {
            "patient": [
                patient("a"),
                patient("b"),
                patient("c", enrolled_on=on(500)),
                patient("d", enrolled_on=on(700)),
            ],
            "session": [*(session(name) for name in "abcd"), session("a", 2, 400), session("c", 2, 800)],
        },
    )
    assert figure.estimate == pytest.approx(1 - 1 / 2 * 2 / 3)
    assert figure.n == 4


def test_a_session_elsewhere_does_not_end_the_wait_for_one_here(empty_registry: Path) -> None:
    figure = one(
        empty_registry,
        {
            "patient": [patient("a"), patient("b")],
            "session": [
                session("a"),
                session("b"),
                session("a", 2, 300, surgeon_code="elsewhere"),
                session("a", 3, 600),
            ],
        },
    )
    assert (figure.estimate, figure.events) == (0.5, 1)


def test_as_of_ignores_what_came_later(empty_registry: Path) -> None:
    records = {
        "patient": [patient("a"), patient("b"), patient("late", enrolled_on=on(700))],
        "session": [session("a"), session("b"), session("a", 2, 400), session("late", day=700)],
    }
    with small_registry(empty_registry, **records) as registry:
        (early,) = time_to_next_session(registry, by=(), at_days=[300], as_of=on(399))
        (later,) = time_to_next_session(registry, by=(), at_days=[400], as_of=on(400))
        (beyond,) = time_to_next_session(registry, by=(), at_days=[500], as_of=on(400))
    assert (early.n, early.estimate, dict(early.not_counted)) == (2, 0.0, {})
    assert later.estimate == 0.5
    assert beyond.flags == ("beyond_follow_up",)


def test_groups_are_shown_where_nobody_is_and_where_it_is_not_recorded(empty_registry: Path) -> None:
    records = {
        "patient": [
            patient("a", age_at_first_surgery_years=24),
            patient("b", age_at_first_surgery_years=25),
            patient("c", age_at_first_surgery_years=90),
            patient("d"),
        ],
        "session": [session(name) for name in "abcd"],
    }
    with small_registry(empty_registry, **records) as registry:
        figures = time_to_next_session(registry, at_days=[365])
    assert [(figure.group["age_band"], figure.n) for figure in figures] == [
        ("under 25", 1),
        ("25-34", 1),
        ("35-44", 0),
        ("45-54", 0),
        ("55+", 1),
        ("not recorded", 1),
    ]


def test_age_bands_are_those_of_the_settings(empty_registry: Path) -> None:
    path = empty_registry / SETTINGS_FILE
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[25, 35, 45, 55]", "[30]"), encoding="utf-8")
    records = {"patient": [patient("a", age_at_first_surgery_years=29)], "session": [session("a")]}
    with small_registry(empty_registry, **records) as registry:
        figures = time_to_next_session(registry, at_days=[365])
    assert [(figure.group["age_band"], figure.n) for figure in figures] == [("under 30", 1), ("30+", 0)]


def test_patients_first_operated_on_elsewhere_stand_apart(empty_registry: Path) -> None:
    records = {
        "patient": [patient("a"), patient("b", sessions_elsewhere=1), patient("c", sessions_elsewhere=2)],
        "session": [session("a"), session("b", 2, 100), session("c", 3, 100), session("b", 3, 500)],
    }
    with small_registry(empty_registry, **records) as registry:
        main, apart = time_to_next_session(registry, by=(), at_days=[400], first_here_only=False)
        (alone,) = time_to_next_session(registry, by=(), at_days=[400])
    assert main == alone
    assert (main.n, main.estimate, dict(main.not_counted)) == (1, 0.0, {"not_first_here": 2})
    assert dict(apart.group) == {"first_operated": "elsewhere"}
    assert (apart.n, apart.estimate, dict(apart.not_counted)) == (2, 0.5, {})  # their clock starts at day 100


def test_by_session_number_every_session_starts_a_clock(empty_registry: Path) -> None:
    records = {
        "patient": [patient("a"), patient("b")],
        "session": [session("a"), session("a", 2, 400), session("a", 3, 600), session("b")],
    }
    with small_registry(empty_registry, **records) as registry:
        figures = time_to_next_session(registry, by=("session_number",), at_days=[200])
    assert [(figure.group["session_number"], figure.n, figure.estimate) for figure in figures] == [
        ("1", 2, 0.0),
        ("2", 1, 1.0),
        ("3", 1, 0.0),
    ]


def test_groups_are_as_they_stood_at_the_starting_session(empty_registry: Path) -> None:
    records = {
        "patient": [patient("a")],
        "session": [session("a", surgeon_code="S2"), session("a", 2, 400, surgeon_code="S1")],
    }
    with small_registry(empty_registry, **records) as registry:
        s1, s2 = time_to_next_session(registry, by=("surgeon_code",), at_days=[1])
    assert (s1.n, s2.n) == (0, 1)


class TestAnywhere:
    """What ends the gap when sessions elsewhere count, and who is watched for one."""

    def figure(self, folder: Path, records: dict[str, list[Row]], at: int = 1000, **options: Any) -> Figure:
        """Of patient a, beside thirty who are watched to the end without any session."""
        others = [f"o{number}" for number in range(30)]
        return one(
            folder,
            {
                "patient": [*records.get("patient", [patient("a")]), *(patient(name) for name in others)],
                "session": [session("a"), *records.get("session", []), *(session(name) for name in others)],
                "visit": [*records.get("visit", []), *(visit(name, 3000, "no") for name in others)],
            },
            estimand="anywhere",
            at_days=[at],
            **options,
        )

    def test_a_session_elsewhere_that_a_later_contact_told_of(self, empty_registry: Path) -> None:
        """*By hand*: 31 watched for a session elsewhere on day 500, one has it."""
        elsewhere = session("a", 2, 500, surgeon_code="elsewhere", learned_on=on(700))
        figure = self.figure(empty_registry, {"session": [elsewhere], "visit": [visit("a", 700, "yes")]})
        assert figure.estimate == pytest.approx(1 / 31)
        assert (figure.n, figure.events, figure.method) == (31, 1, "two_source_incidence_loglog")

    def test_a_session_here_needs_no_contact(self, empty_registry: Path) -> None:
        figure = self.figure(empty_registry, {"session": [session("a", 2, 500)]})
        assert figure.estimate == pytest.approx(1 / 31)

    def test_one_elsewhere_told_of_only_because_of_a_session_here_is_not_used(self, empty_registry: Path) -> None:
        """Of those who went elsewhere and did not come back nobody would know, so who came back must not tell."""
        sessions = [
            session("a", 2, 500, surgeon_code="elsewhere", learned_on=on(900)),
            session("a", 3, 900),
        ]
        told = [visit("a", 899, "yes", visit_reason="session"), visit("a", 905, "yes", number=3)]
        figure = self.figure(empty_registry, {"session": sessions, "visit": told}, at=600)
        assert (figure.estimate, figure.events) == (0.0, 0)
        assert figure.at_risk == 30  # patient a is watched for a session here alone

    def test_a_contact_after_a_next_session_here_is_not_used(self, empty_registry: Path) -> None:
        """*By hand*: the session here on day 500 counts; a stays unwatched for one elsewhere all along."""
        figure = self.figure(
            empty_registry, {"session": [session("a", 2, 500)], "visit": [visit("a", 2000, "no", number=2)]}, at=499
        )
        assert figure.at_risk == 30

    def test_a_yes_without_a_session_record_is_put_in_the_middle(self, empty_registry: Path) -> None:
        """*By hand*: no on day 400, yes on day 800: day 600."""
        records = {"visit": [visit("a", 400, "no"), visit("a", 800, "yes"), visit("a", 1200, "yes")]}
        assert self.figure(empty_registry, records, at=599).estimate == 0.0

    def test_a_yes_without_a_session_record_has_happened_by_the_middle(self, empty_registry: Path) -> None:
        records = {"visit": [visit("a", 400, "no"), visit("a", 800, "yes"), visit("a", 1200, "yes")]}
        assert self.figure(empty_registry, records, at=600).estimate == pytest.approx(1 / 31)

    @pytest.mark.parametrize(("at", "happened"), [(599, 0), (600, 1)])
    def test_a_no_from_the_first_yes_on_tells_of_nothing_before_it(
        self, empty_registry: Path, at: int, happened: int
    ) -> None:
        """*By hand*: no on days 200 and 400, yes on day 800, no on that day and on day 1000: day 600 still."""
        told = {200: ["no"], 400: ["no"], 800: ["yes", "no"], 1000: ["no"]}
        records = {"visit": [visit("a", day, answer) for day, answers in told.items() for answer in answers]}
        assert self.figure(empty_registry, records, at=at).estimate == pytest.approx(happened / 31)

    @pytest.mark.parametrize(("at", "happened"), [(399, 0), (400, 1)])
    def test_a_no_after_the_first_yes_leaves_the_session_as_the_start(
        self, empty_registry: Path, at: int, happened: int
    ) -> None:
        """*By hand*: yes on day 800 after no other answer, then a no: day 400."""
        records = {"visit": [visit("a", 800, "yes"), visit("a", 1000, "no")]}
        assert self.figure(empty_registry, records, at=at).estimate == pytest.approx(happened / 31)

    def test_an_answer_left_empty_is_not_a_no(self, empty_registry: Path) -> None:
        records = {"visit": [visit("a", 400, "no"), visit("a", 900, None), visit("a", 950, "unknown")]}
        assert self.figure(empty_registry, records, at=401).at_risk == 30

    def test_a_last_contact_without_a_visit_counts_unless_a_session_prompted_it(self, empty_registry: Path) -> None:
        records = {"patient": [patient("a", last_contact_on=on(900), last_contact_reason="scheduled")]}
        assert self.figure(empty_registry, records, at=800).at_risk == 31

    def test_a_last_contact_that_a_session_prompted_does_not_count(self, empty_registry: Path) -> None:
        records = {"patient": [patient("a", last_contact_on=on(900), last_contact_reason="session")]}
        assert self.figure(empty_registry, records, at=800).at_risk == 30

    def test_the_last_contact_does_not_stand_in_for_a_visit_that_did_not_answer(self, empty_registry: Path) -> None:
        records = {
            "patient": [patient("a", last_contact_on=on(900), last_contact_reason="scheduled")],
            "visit": [visit("a", 900, None)],
        }
        assert self.figure(empty_registry, records, at=800).at_risk == 30

    def test_what_was_learned_after_as_of_is_not_known(self, empty_registry: Path) -> None:
        elsewhere = session("a", 2, 500, surgeon_code="elsewhere", learned_on=on(3100))
        records = {"session": [elsewhere], "visit": [visit("a", 3100, "yes")]}
        assert self.figure(empty_registry, records, at=600, as_of=on(3050)).events == 0

    def test_what_was_learned_by_then_is(self, empty_registry: Path) -> None:
        elsewhere = session("a", 2, 500, surgeon_code="elsewhere", learned_on=on(3100))
        records = {"session": [elsewhere], "visit": [visit("a", 3100, "yes")]}
        assert self.figure(empty_registry, records, at=600, as_of=on(3100)).events == 1

    def test_without_any_contact_nothing_is_said(self, empty_registry: Path) -> None:
        records: dict[str, list[Row]] = {"patient": [patient("a")], "session": [session("a")]}
        figure = one(empty_registry, records, estimand="anywhere", at_days=[365])
        assert (figure.estimate, figure.flags) == (None, ("beyond_follow_up",))


def test_refusals_say_what_to_do(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=[], session=[]) as registry:
        with pytest.raises(GraftledgerError, match="Did you mean technique"):
            time_to_next_session(registry, by=("tecnique",))
        with pytest.raises(GraftledgerError, match="Known: here, anywhere"):
            time_to_next_session(registry, estimand="there")
        with pytest.raises(GraftledgerError, match="cannot be negative"):
            time_to_next_session(registry, at_days=[-1])


def test_an_empty_registry_gives_figures_of_nobody(empty_registry: Path) -> None:
    with small_registry(empty_registry, site_period=[]) as registry:
        figures = time_to_next_session(registry, at_days=[365], first_here_only=False, as_of=date(2020, 1, 1))
        anywhere = time_to_next_session(registry, at_days=[365], estimand="anywhere")
    assert len(figures) == 10
    assert {(figure.n, figure.estimate, figure.flags) for figure in figures + anywhere} == {(0, None, ("too_few",))}
