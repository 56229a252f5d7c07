"""Complications by quarter, sessions between them, and grades: counts *by hand* on small registries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import Any

import pytest

from pipelines.clavien_dindo import GRADES, clavien_dindo
from pipelines.complication_kinds import Window
from pipelines.complications_over_time import complications_over_time
from registry.errors import GraftledgerError
from registry.store import Registry
from tests.small_registry import Row, insert_rows, registry_in_memory

RECORDS = ("patient", "session", "visit", "complication", "site_period")
DAY_30 = Window(30)
Q1, Q2, Q3 = date(2020, 2, 1), date(2020, 5, 1), date(2020, 8, 1)


@pytest.fixture(scope="module")
def registry() -> Iterator[Registry]:
    """Sixty patients, twenty a quarter, all seen on day 30; necrosis after 1, 0 and 3 of them.

    p59 had shifted dates, so quarter 3 has nineteen; p0 also had two infections, one late, and p58 a grade but no day.
    """
    starts = [Q1 + timedelta(days=n) for n in range(20)]
    starts += [Q2 + timedelta(days=n) for n in range(20)] + [Q3 + timedelta(days=n) for n in range(20)]
    names = [f"p{n}" for n in range(60)]
    complications: list[dict[str, Any]] = [
        {"session_key": name, "kind": "necrosis", "severity": "severe", "onset_day": 9, "clavien_dindo": "IIIa"}
        for name in ("p5", "p40", "p45", "p50", "p59")
    ]
    complications += [
        {"session_key": "p0", "kind": "infection", "onset_day": 9, "clavien_dindo": "II"},
        {"session_key": "p0", "kind": "infection", "onset_day": 90, "clavien_dindo": "II"},
        {"session_key": "p58", "kind": "cyst"},
    ]
    with registry_in_memory() as opened:
        rows: dict[str, Sequence[Row]] = {
            "patient": [{"patient_key": name, "dates_shifted": name == "p59"} for name in names],
            "session": [
                {"session_key": name, "patient_key": name, "performed_on": start}
                for name, start in zip(names, starts, strict=True)
            ],
            "visit": [
                {"session_key": name, "visited_on": start + timedelta(days=30)}
                for name, start in zip(names, starts, strict=True)
            ],
            "complication": complications,
            "site_period": [{"records_complete_to": date(2022, 1, 1)}],
        }
        for name in RECORDS:
            insert_rows(opened, name, rows[name])
        yield opened


def test_shares_by_quarter(registry: Registry) -> None:
    (series,) = complications_over_time(registry, kinds=["necrosis"], window=DAY_30)
    assert series.labels == ("2020-Q1", "2020-Q2", "2020-Q3")
    assert (series.events, series.sizes) == ((1, 0, 3), (20, 20, 19))  # shifted dates have no quarter
    assert series.chart.centre == pytest.approx(4 / 59)
    point, centre = series.figures[0], series.figures[3]
    assert (point.measure, point.group["quarter"], point.events) == ("complication_necrosis_any", "2020-Q1", 1)
    assert (centre.measure, centre.estimate) == ("complication_necrosis_any_centre", series.chart.centre)
    (run,) = complications_over_time(registry, kinds=["necrosis"], window=DAY_30, chart="run")
    assert run.chart.centre == pytest.approx(1 / 20)


def test_records_per_session(registry: Registry) -> None:
    """Onset by day 30: p0 once, p5, p40, p45, p50; the cyst has no day. Ever: the later infection and the cyst too."""
    kinds = ["necrosis", "infection", "cyst"]
    (series,) = complications_over_time(registry, kinds=kinds, window=DAY_30, chart="u")
    assert (series.events, series.sizes) == ((2, 0, 3), (20, 20, 19))
    (ever,) = complications_over_time(registry, kinds=kinds, window=Window(None), chart="u")
    assert ever.events == (3, 0, 4)
    (severe,) = complications_over_time(registry, kinds=kinds, window=DAY_30, chart="u", severity="severe")
    assert severe.events == (1, 0, 3)


def test_sessions_between(registry: Registry) -> None:
    """Events at places 6, 41, 46, 51 of 59: between them 34, 4 and 4 sessions; 8 since."""
    (series,) = complications_over_time(registry, kinds=["necrosis"], window=DAY_30, chart="g")
    assert series.sizes == (34, 4, 4)
    assert series.since_last == 8
    assert series.labels[0] == (Q3).isoformat()
    assert series.chart.centre == 4.0


def test_refusals(registry: Registry) -> None:
    with pytest.raises(GraftledgerError, match="There is no chart"):
        complications_over_time(registry, kinds=["necrosis"], window=DAY_30, chart="x")
    with pytest.raises(GraftledgerError, match="at least two"):
        complications_over_time(registry, kinds=["keloid"], window=DAY_30, chart="g")


def test_grades(registry: Registry) -> None:
    """59 sessions: IIIa 4, II 2, not recorded 1; one record of a session barred stands outside."""
    figures = clavien_dindo(registry)
    by_grade = {f.group["grade"]: f for f in figures if "grade" in f.group}
    assert tuple(by_grade) == GRADES
    assert {grade: f.events for grade, f in by_grade.items() if f.events} == {"II": 2, "IIIa": 4, "not recorded": 1}
    assert by_grade["IIIa"].estimate == pytest.approx(1000 * 4 / 59)
    assert by_grade["II"].estimate == pytest.approx(1000 * 2 / 59)
    assert (by_grade["I"].estimate, by_grade["I"].method) == (0.0, "zero_event_upper")
    assert by_grade["I"].upper == pytest.approx(1000 * (1 - 0.05 ** (1 / 59)))
    lower, upper = by_grade["II"].lower, by_grade["II"].upper
    assert lower is not None
    assert upper is not None
    assert upper > 3 * 2 / 59 * 1000  # two records of one patient tell no more than one
    assert (figures[-1].measure, figures[-1].events) == ("clavien_dindo_records_outside", 1)
    by_site = clavien_dindo(registry, by=("site_code",))
    assert sum(f.events or 0 for f in by_site if f.group.get("site_code") == "B") == 0
