"""The fold in the database against a plain reading of the same records, one patient at a time."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import count, islice, repeat
from typing import Any

import pytest
from lifelines import KaplanMeierFitter
from lifelines.exceptions import StatError

from pipelines import time_to_next_session
from pipelines.next_session import next_session_follow_up
from registry.store import Registry
from tests.small_registry import Row, insert_rows, on, registry_in_memory

END = {"A": 700, "B": 500}
READ_ON = (50, 200, 400, 499)


@pytest.fixture(scope="module")
def registry() -> Iterator[Registry]:
    with registry_in_memory() as opened:
        yield opened


def draw_patients(seed: int, count: int = 150) -> list[dict[str, Any]]:
    """Patients with sessions and contacts on few days, so that ties and edges are common."""
    rng = random.Random(seed)
    drawn = []
    for number in range(count):
        days = sorted(rng.sample(range(13), rng.choice([0, 1, 1, 1, 2, 2, 3, 4])))
        numbers = sorted(rng.sample(range(1, 6), len(days))) if rng.random() < 0.2 else range(1, len(days) + 1)
        drawn.append(
            {
                "name": f"p{number}",
                "sex": rng.choice(["female", "male", "male", None]),
                "site": rng.choice(["A", "A", "B"]),
                "sessions": [
                    (n, day * 60, rng.random() < (0.9 if n == 1 else 0.6), rng.randint(0, 200))
                    for n, day in zip(numbers, days, strict=True)
                ],
                "elsewhere_before": rng.choice([None, 0, 0, 0, 1]),
                "enrolled": rng.choice([0, 0, 0, 0, 0, 100, 240, 600]),
                "died": rng.choice([None] * 6 + [420]),
                "shifted": rng.choice([None] * 6 + [False, True]),
                "visits": [
                    (
                        rng.choice([0, 0, 0, 1, 2]),
                        rng.choice([60, 120, 180, rng.randint(0, 600), rng.randint(100, 600)]),
                        rng.choice(["no", "no", "yes", "unknown", None]),
                        rng.choice(["scheduled", "scheduled", "session", None]),
                    )
                    for _ in range(rng.randint(0, 4))
                ],
                "last": rng.choice([None, 300, 650, rng.randint(0, 700)]),
                "last_reason": rng.choice(["scheduled", "session", None]),
            }
        )
        if drawn[-1]["visits"] and days and rng.random() < 0.3:  # last contact on the day of a visit
            place, after, *_ = drawn[-1]["visits"][-1]
            drawn[-1]["last"] = days[min(place, len(days) - 1)] * 60 + after
    return drawn


def fill(registry: Registry, drawn: list[dict[str, Any]]) -> None:
    records: dict[str, list[Row]] = {"patient": [], "session": [], "visit": []}
    for one in drawn:
        records["patient"].append(
            {
                "patient_key": one["name"],
                "sex": one["sex"],
                "site_code": one["site"],
                "sessions_elsewhere": one["elsewhere_before"],
                "enrolled_on": on(one["enrolled"]),
                "dates_shifted": one["shifted"],
                "died_on": None if one["died"] is None else on(one["died"]),
                "last_contact_on": None if one["last"] is None else on(one["last"]),
                "last_contact_reason": one["last_reason"],
            }
        )
        for number, day, here, learned in one["sessions"]:
            records["session"].append(
                {
                    "session_key": f"{one['name']}-{number}",
                    "patient_key": one["name"],
                    "site_code": one["site"],
                    "session_number": number,
                    "performed_on": on(day),
                    "surgeon_code": "S1" if here else "elsewhere",
                    "learned_on": None if here else on(day + learned),
                }
            )
        for place, after, answer, reason in one["visits"]:
            if place < len(one["sessions"]):
                number, day, *_ = one["sessions"][place]
                records["visit"].append(
                    {
                        "session_key": f"{one['name']}-{number}",
                        "visited_on": on(day + after),
                        "surgery_elsewhere_since": answer,
                        "visit_reason": reason,
                    }
                )
    for name in ("patient", "session", "visit", "site_period"):
        registry.connection.execute(f"delete from {name}")
    periods = [{"site_code": site, "records_complete_to": on(day)} for site, day in END.items()]
    for name, rows in (*records.items(), ("site_period", periods)):
        insert_rows(registry, name, rows)


@dataclass(frozen=True)
class Spell:
    entry: int
    exit: int
    event: bool


def read_here(one: dict[str, Any], as_of: int) -> Spell | str:
    """The rules of the estimand "here", read for one patient: a spell, or why there is none."""
    sessions = [s for s in one["sessions"] if s[1] <= as_of and (s[2] or s[1] + s[3] <= as_of)]
    here = [s for s in sessions if s[2]]
    if here and (here[0][0] != 1 or one["elsewhere_before"]):
        return "not_first_here"
    if not here:
        return "not_first_here" if one["elsewhere_before"] else "no_start_date"
    if one["shifted"]:
        return "dates_shifted"
    start = here[0][1]
    end = min(x for x in (END[one["site"]], as_of, one["died"]) if x is not None) - start
    following = here[1][1] - start if len(here) > 1 else None
    event = following is not None and following <= end
    spell = Spell(max(one["enrolled"] - start, 0), following if event and following is not None else end, event)
    if spell.exit < 0:
        return "not_due"
    return "enrolled_late" if spell.entry and spell.entry >= spell.exit else spell


def read_anywhere(one: dict[str, Any], as_of: int) -> tuple[Spell, Spell]:
    """The two spells of the estimand "anywhere" of a patient whom `read_here` does not leave out for another reason."""
    sessions = [s for s in one["sessions"] if s[1] <= as_of and (s[2] or s[1] + s[3] <= as_of)]
    here = [s for s in sessions if s[2]]
    number, start, *_ = here[0]
    end_of_site = min(END[one["site"]], as_of)
    end = min(end_of_site, one["died"] if one["died"] is not None else end_of_site) - start
    next_here = here[1][1] - start if len(here) > 1 else None
    index = [s[0] for s in one["sessions"]].index(number)
    all_seen = [
        (after, answer) for place, after, answer, _ in one["visits"] if place == index and start + after <= end_of_site
    ]
    seen = [
        (after, answer)
        for place, after, answer, reason in one["visits"]
        if place == index
        and reason != "session"
        and start + after <= end_of_site
        and (next_here is None or after < next_here)
    ]
    contact = max([after for after, answer in seen if answer in ("yes", "no")], default=0)
    last = None if one["last"] is None else one["last"] - start
    if (
        last is not None
        and one["last_reason"] != "session"
        and one["last"] <= as_of
        and (next_here is None or last < next_here)
        and last > max([after for after, _ in seen], default=0)
    ):
        contact = max(contact, min(last, end_of_site - start))
    first_yes = min((after for after, answer in seen if answer == "yes"), default=None)
    after_start = [s for s in sessions if s[0] > number]
    row = None
    if after_start and not after_start[0][2]:
        _, day, _, learned = after_start[0]
        row = (day - start, day + learned - start)
    days = []
    if row is not None and (row[1] <= contact or (first_yes is not None and row[0] <= first_yes)):
        days.append(row[0])
    if first_yes is not None and not (row is not None and row[0] <= first_yes):
        last_no = max([after for after, answer in seen if answer == "no" and after < first_yes], default=0)
        days.append((last_no + first_yes) // 2)
    elsewhere = min(days, default=None)
    if elsewhere is not None and (elsewhere > contact or elsewhere > end):
        elsewhere = None
    entry = max(one["enrolled"] - start, 0)
    came_first = (
        (bool(after_start) and not after_start[0][2])
        or (len(here) > 1 and here[1][0] > number + 1)
        or any(answer == "yes" and next_here is not None and after <= next_here for after, answer in all_seen)
    )
    first = next_here is not None and next_here <= end and not came_first
    others = [x for x in (end, contact, elsewhere) if x is not None]
    here_spell = Spell(entry, next_here if first and next_here is not None else end, first)
    return here_spell, Spell(entry, min(others), elsewhere is not None)


def survival(spells: list[Spell]) -> Iterator[float | None]:
    """Product limit from day 0 on, by the definition: at risk are those with entry < day <= exit (on day 0: those from
    the start). None from the day on which nobody is."""
    share = 1.0
    for t in count():
        at_risk = [s for s in spells if (s.entry < t or (s.entry == 0 and t == 0)) and s.exit >= t]
        if not at_risk:
            yield from repeat(None)
        share *= 1 - sum(s.event and s.exit == t for s in at_risk) / len(at_risk)
        yield share


EVERY_SEED = pytest.mark.parametrize("seed", range(6))
EVERY_AS_OF = pytest.mark.parametrize("as_of", [None, 650, 333])


@EVERY_SEED
@EVERY_AS_OF
def test_here(registry: Registry, seed: int, as_of: int | None) -> None:
    """*Other software*: lifelines on one row a patient; and by the definition, day by day."""
    drawn = draw_patients(seed)
    fill(registry, drawn)
    cut = 10_000 if as_of is None else as_of
    figures = time_to_next_session(registry, by=("sex",), at_days=READ_ON, as_of=_date(as_of))
    for sex in ("female", "male", None):
        eligible = [one for one in drawn if one["sex"] == sex and _known(one, cut)]
        read = [read_here(one, cut) for one in eligible]
        spells = [spell for spell in read if isinstance(spell, Spell)]
        curve = list(islice(survival(spells), READ_ON[-1] + 1))
        of_group = [figure for figure in figures if figure.group["sex"] == (sex or "not recorded")]
        if not eligible:
            assert all(figure.n == 0 and not figure.not_counted for figure in of_group)
            continue
        for figure in of_group:
            assert figure.n == len(spells)
            assert figure.not_counted == Counter(reason for reason in read if isinstance(reason, str))
            assert figure.n + sum(figure.not_counted.values()) == len(eligible)
            assert figure.at is not None
            expected = curve[figure.at]
            assert (figure.estimate is None) == (expected is None)
            if expected is not None:
                assert figure.estimate == pytest.approx(1 - expected, abs=1e-12)
                if (other := _lifelines(spells, figure.at)) is not None:
                    assert figure.estimate == pytest.approx(1 - other, abs=1e-9)
                assert figure.events == sum(s.event and s.exit <= figure.at for s in spells)


@EVERY_SEED
@EVERY_AS_OF
def test_anywhere(registry: Registry, seed: int, as_of: int | None) -> None:
    """*By hand*, as code: both spells of each patient, and the share with neither event by its recursion."""
    drawn = draw_patients(seed)
    fill(registry, drawn)
    cut = 10_000 if as_of is None else as_of
    figures = time_to_next_session(registry, estimand="anywhere", by=(), at_days=READ_ON, as_of=_date(as_of))
    eligible = [one for one in drawn if _known(one, cut)]
    pairs = []
    reasons: Counter[str] = Counter()
    for one in eligible:
        read = read_here(one, cut)
        if isinstance(read, str) and read != "enrolled_late":
            reasons[read] += 1
            continue
        here, elsewhere = read_anywhere(one, cut)
        if here.entry and here.entry >= here.exit:
            reasons["enrolled_late"] += 1
        else:
            pairs.append((here, elsewhere))
    spells_here = [here for here, _ in pairs]
    spells_elsewhere = [spell for _, spell in pairs if not spell.entry or spell.entry < spell.exit]
    curve = list(islice(share_with_neither(spells_here, spells_elsewhere), READ_ON[-1] + 1))
    for figure in figures:
        assert figure.at is not None
        assert figure.n == len(pairs)
        assert figure.not_counted == reasons
        expected = curve[figure.at]
        if expected is None:
            assert figure.estimate is None
        else:
            assert figure.estimate == pytest.approx(1 - expected, abs=1e-12)


def share_with_neither(here: list[Spell], elsewhere: list[Spell]) -> Iterator[float | None]:
    """Day by day: those who leave with a first session here, and of the others the hazard of one elsewhere."""
    share, before = 1.0, 1.0
    for t, now in enumerate(survival(here)):
        at_risk = [s for s in elsewhere if (s.entry < t or (s.entry == 0 and t == 0)) and s.exit >= t]
        if now is None or not at_risk:
            yield from repeat(None)
        share = max(share * (1 - sum(s.event and s.exit == t for s in at_risk) / len(at_risk)) - (before - now), 0.0)
        before = now
        yield share


@pytest.mark.parametrize("estimand", ["here", "anywhere"])
def test_everybody_and_groups_from_one_reading(registry: Registry, estimand: str) -> None:
    """*By hand*: spells made for groups and folded over all of them are those made for everybody."""
    fill(registry, draw_patients(11))
    same: dict[str, Any] = {"estimand": estimand, "at_days": READ_ON}
    curves = [time_to_next_session(registry, by=by, **same) for by in ((), ("sex",))]
    assert time_to_next_session(registry, by=("sex",), with_all=True, **same) == (*curves[0], *curves[1])
    assert len({figure.n for figure in curves[0]} - {0}) == 1
    followed = [next_session_follow_up(registry, by=by, **same) for by in ((), ("sex",))]
    assert next_session_follow_up(registry, by=("sex",), with_all=True, **same) == (*followed[0], *followed[1])


def _known(one: dict[str, Any], as_of: int) -> bool:
    """Whether the patient is in the registry at all by then."""
    return one["enrolled"] <= as_of or any(s[1] <= as_of and s[2] for s in one["sessions"])


def _date(day: int | None) -> date | None:
    return None if day is None else on(day)


def _lifelines(spells: list[Spell], day: int) -> float | None:
    """Survival by lifelines; None where it refuses since the curve falls to 0 while few have entered."""
    fitter = KaplanMeierFitter()
    # a spell that ends on day 0 is at risk on that day alone, on which nothing happens
    later = [spell for spell in spells if spell.exit > 0]
    try:
        fitter.fit([s.exit for s in later], [s.event for s in later], entry=[s.entry for s in later])
    except StatError:
        return None
    return float(fitter.predict(day))
