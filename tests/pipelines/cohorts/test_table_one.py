"""The baseline table. Expected: by hand, and by formulas written out here."""

from __future__ import annotations

import csv
import io
import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, milp

from pipelines.cohorts import define
from pipelines.cohorts.table_one import HIDDEN, TableOne, _cells, _Shown, table_one
from registry import GraftledgerError
from reports.cohort.table_one import table_one_csv, table_one_html, table_one_latex
from tests.small_registry import Row, small_registry


def patients(*parts: tuple[int, Row]) -> list[Row]:
    rows = [row for n, row in parts for _ in range(n)]
    return [{"patient_key": f"p{n}", "consent_scope": "audit_and_research", **row} for n, row in enumerate(rows)]


def table_of(folder: Path, rows: list[Row], floor: int, by: str = "sex", round_to: int = 0) -> TableOne:
    sessions = [{"session_key": f"s{n}", "patient_key": f"p{n}"} for n in range(len(rows))]
    with small_registry(folder, patient=rows, session=sessions) as registry:
        return table_one(registry, define(registry.settings), by=by, floor=floor, round_to=round_to)


def cells(table: TableOne, field: str, value: str) -> tuple[str, ...]:
    (line,) = [line for line in table.lines if line.field == field and line.value == value]
    return line.cells


def test_counts_medians_and_what_is_missing(empty_registry: Path) -> None:
    rows = patients(
        (2, {"sex": "female", "smoking": "never", "age_at_first_surgery_years": 30}),
        (1, {"sex": "female", "age_at_first_surgery_years": 50}),
        (1, {"sex": "male", "smoking": "current", "age_at_first_surgery_years": 40}),
        (1, {"sex": "male", "smoking": "unknown"}),
        (1, {"consent_scope": "audit_only", "sex": "male"}),
    )
    table = table_of(empty_registry, rows, 0)
    assert (table.groups, table.sizes) == (("female", "male"), ("3", "2", "5"))
    assert cells(table, "smoking", "Never smoked") == ("2 (100.0 %)", "0 (0.0 %)", "2 (50.0 %)")
    assert cells(table, "smoking", "Asked, and not known") == ("0 (0.0 %)", "1 (50.0 %)", "1 (25.0 %)")
    assert cells(table, "smoking", "not recorded") == ("1", "0", "1")
    assert cells(table, "age_at_first_surgery_years", "median (quartiles)")[0] == "30 (30 to 40)"
    assert cells(table, "age_at_first_surgery_years", "not recorded") == ("0", "1", "1")


def test_standardised_differences(empty_registry: Path) -> None:
    rows = patients(
        (30, {"sex": "female", "diabetes": "yes", "hair_calibre_um": 60.0}),
        (10, {"sex": "female", "diabetes": "no", "hair_calibre_um": 70.0}),
        (10, {"sex": "male", "diabetes": "yes", "hair_calibre_um": 70.0}),
        (30, {"sex": "male", "diabetes": "no", "hair_calibre_um": 80.0}),
    )
    table = table_of(empty_registry, rows, 0)
    told = {line.field: line.difference for line in table.lines if line.difference is not None}
    assert told["diabetes"] == pytest.approx(0.5 / math.sqrt(0.75 * 0.25), rel=1e-12)  # shares 0.75 and 0.25
    spread = 40 / 39 * 100 * 0.75 * 0.25  # sample variance in both groups; means 62.5 and 77.5
    assert told["hair_calibre_um"] == pytest.approx(15.0 / math.sqrt(spread), rel=1e-12)


def test_a_small_count_is_hidden_and_cannot_be_worked_out(empty_registry: Path) -> None:
    rows = patients(
        (40, {"sex": "female", "smoking": "never"}),
        (3, {"sex": "female", "smoking": "current"}),
        (50, {"sex": "male", "smoking": "never"}),
        (30, {"sex": "male", "smoking": "current"}),
        (20, {"sex": "male"}),
    )
    table = table_of(empty_registry, rows, 11)
    # the 3, and the cheapest rectangle around it: with 0 and 20 not recorded (40 and 50 would hide more)
    assert cells(table, "smoking", "Smokes") == (HIDDEN, HIDDEN, "33 (26.8 %)")
    assert cells(table, "smoking", "not recorded") == (HIDDEN, HIDDEN, "20")
    assert cells(table, "smoking", "Never smoked") == ("40", "50", "90 (73.2 %)")  # a share would tell who is missing
    assert all(line.difference is None for line in table.lines if line.field == "smoking")


def test_who_answered_is_hidden_beside_every_code_or_none(empty_registry: Path) -> None:
    rows = patients(
        (40, {"sex": "female", "medical_therapy": ["dutasteride"]}),
        (20, {"sex": "female", "medical_therapy": ["none"]}),
        (4, {"sex": "female"}),
        (60, {"sex": "male", "medical_therapy": ["none"]}),
        (30, {"sex": "male", "medical_therapy": ["dutasteride", "spironolactone"]}),
        (25, {"sex": "male"}),
    )
    table = table_of(empty_registry, rows, 11)
    missing = {line.cells for line in table.lines if line.field == "medical_therapy" and line.value == "not recorded"}
    assert len(missing) == 1
    (only,) = missing
    assert only[0] == HIDDEN
    for line in table.lines:
        if line.field == "medical_therapy":  # a share would tell how many did not answer
            assert "%" not in line.cells[0]


def test_a_small_total_is_hidden_with_the_next_rarest(empty_registry: Path) -> None:
    rows = patients(
        (60, {"sex": "female", "smoking": "never"}),
        (60, {"sex": "male", "smoking": "never"}),
        (15, {"sex": "female", "smoking": "former"}),
        (15, {"sex": "male", "smoking": "former"}),
        (2, {"sex": "female", "smoking": "current"}),
        (2, {"sex": "male", "smoking": "current"}),
    )
    table = table_of(empty_registry, rows, 11)
    # 4 is small; with former they are 34, and 34 = 154 - 120 is all that can be worked out
    assert cells(table, "smoking", "Smokes") == (HIDDEN,) * 3
    assert cells(table, "smoking", "Stopped smoking") == (HIDDEN,) * 3
    assert cells(table, "smoking", "Never smoked") == ("60 (77.9 %)", "60 (77.9 %)", "120 (77.9 %)")


def test_a_median_stays_where_few_are_missing(empty_registry: Path) -> None:
    rows = patients(
        (30, {"sex": "female", "age_at_first_surgery_years": 40}),
        (30, {"sex": "male", "age_at_first_surgery_years": 50}),
        (3, {"sex": "male"}),
    )
    table = table_of(empty_registry, rows, 11)
    name = "age_at_first_surgery_years"
    assert cells(table, name, "median (quartiles)") == ("40 (40 to 40)", "50 (50 to 50)", "45 (40 to 50)")
    assert cells(table, name, "not recorded") == (HIDDEN,) * 3


def test_rounded_counts_with_totals_and_shares_made_of_them(empty_registry: Path) -> None:
    rows = patients(
        (12, {"sex": "female", "smoking": "never"}),
        (13, {"sex": "female", "smoking": "current"}),
        (22, {"sex": "male", "smoking": "never"}),
        (18, {"sex": "male", "smoking": "current"}),
    )
    table = table_of(empty_registry, rows, 11, round_to=5)
    assert table.sizes == ("25", "40", "65")
    assert cells(table, "smoking", "Never smoked") == ("10 (40.0 %)", "20 (50.0 %)", "30 (46.2 %)")
    assert cells(table, "smoking", "Smokes") == ("15 (60.0 %)", "20 (50.0 %)", "35 (53.8 %)")
    told = {line.field: line.difference for line in table.lines if line.difference is not None}
    # of 0.4 and 0.5, the rounded shares: those of 12/25 and 22/40 would give the counts away
    assert told["smoking"] == pytest.approx(0.1 / math.sqrt((0.24 + 0.25) / 2), rel=1e-12)


@given(
    st.lists(st.lists(st.integers(0, 60), min_size=2, max_size=2), min_size=2, max_size=4),
    st.sampled_from([0, 5]),
)
@settings(max_examples=30, deadline=None)
def test_no_small_count_can_be_worked_out_from_a_field(counts: list[list[int]], round_to: int) -> None:
    """An attacker knows the size of each group, every total shown, and that a cell is a count.

    Expected: *other software* (SciPy's integer programs), over what is shown alone.
    """
    table = np.array(counts)
    sizes = table.sum(axis=0)
    assume((sizes >= 11).all())
    shown = _cells(table, _Shown(11, round_to))
    small = [(r, c) for r in range(len(table)) for c in range(2) if 0 < table[r, c] < 11]
    assert all(shown[r][c] == HIDDEN for r, c in small)
    assert all(line[-1] == HIDDEN for line, n in zip(shown, table.sum(axis=1), strict=True) if 0 < n < 11)
    if round_to:
        return
    equations, totals = [], []
    for c in range(2):
        equations.append([1.0 if place % 2 == c else 0.0 for place in range(table.size)])
        totals.append(float(sizes[c]))
    for r, line in enumerate(shown):
        for c in range(2):
            if line[c] != HIDDEN:
                equations.append([1.0 if place == 2 * r + c else 0.0 for place in range(table.size)])
                totals.append(float(line[c]))
        if line[-1] != HIDDEN:
            equations.append([1.0 if place // 2 == r else 0.0 for place in range(table.size)])
            totals.append(float(line[-1]))
    for r, c in small:
        aim = np.zeros(table.size)
        aim[2 * r + c] = 1.0
        only = LinearConstraint(np.array(equations), totals, totals)
        least, most = (
            sign * float(milp(sign * aim, constraints=only, integrality=np.ones(table.size)).fun) for sign in (1, -1)
        )
        assert most - least >= 2 - 1e-6


def test_counts_cannot_be_rounded_to_less_than_nothing(empty_registry: Path) -> None:
    with pytest.raises(GraftledgerError, match="--round-to 5"):
        table_of(empty_registry, patients((1, {})), 0, round_to=-1)


def test_small_groups_become_one(empty_registry: Path) -> None:
    rows = patients((40, {"sex": "male"}), (7, {"sex": "intersex"}), (6, {"sex": "unknown"}))
    assert table_of(empty_registry, rows, 11).groups == ("male", "smaller groups")


def test_as_files(empty_registry: Path) -> None:
    table = table_of(empty_registry, patients((12, {"sex": "male"}), (12, {"sex": "female"})), 11)
    lines = list(csv.reader(io.StringIO(table_one_csv(table))))
    assert lines[0][3:] == ["female", "male", "all", "standardised_difference"]
    assert {len(line) for line in lines} == {len(lines[0])}
    page = table_one_html(table, "A <title>")
    assert "A &lt;title&gt;" in page
    text = table_one_latex(table, "All & one_cohort")
    assert r"All \& one\_cohort, by sex" in text
    assert text.count(r"\toprule") == 2  # the head of the first page, and of those that follow
    body = [line for line in text.splitlines() if line.endswith(r"\\") and " & " in line]
    assert {line.count(" & ") for line in body} == {5}
    assert not re.search(r"(?<!\\)[%_#]", text.partition("\n")[2])  # the first line is a remark of ours
    assert page.count("<tbody>") == len({line.label for line in table.lines})


def test_an_unknown_field(empty_registry: Path) -> None:
    with pytest.raises(GraftledgerError, match="Did you mean sex"):
        table_of(empty_registry, patients((1, {})), 0, by="sexx")
