"""A site's table made fit to leave the site: what it holds afterwards, and what is refused without a value."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.pseudonyms import Plan, PracticeKey, Pseudonymised, pseudonymise_table
from pipelines.pseudonyms.keyed import pseudonym
from registry import GraftledgerError, record_type

KEY = PracticeKey(bytes(range(1, 33)))
EXPORT = {
    "Chart": [" 0012-A", "0013-B", "0012-a"],
    "Born": ["03.05.1984", "29.02.1920", "03.05.1984"],
    "First": ["04.06.2012", "28.02.2011", "04.06.2012"],
    "Surgery": ["04.06.2012", "11.03.2011", "01.02.2016"],
    "Sex": ["w", "m", "w"],
}
GERMAN = ("%d.%m.%Y",)
AGES = Plan("Chart", date_forms=GERMAN, birth_column="Born", surgery_column="First")
SHIFT = Plan("Chart", date_forms=GERMAN, drop=("Born",), shift_dates=True)


def run(columns: dict[str, list[str | None]] | dict[str, list[str]], plan: Plan) -> Pseudonymised:
    frame = pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String))
    numbers = pl.Series(range(1, frame.height + 1), dtype=pl.Int64)
    before = frame.clone()
    done = pseudonymise_table(frame, numbers, plan, KEY, "export.csv")
    assert frame.equals(before)
    return done


def refusal_of(columns: dict[str, list[str | None]] | dict[str, list[str]], plan: Plan) -> str:
    with pytest.raises(GraftledgerError) as refusal:
        run(columns, plan)
    return str(refusal.value)


def test_keys_and_ages() -> None:
    """By hand: 28 on the day; born on 29 February 1920, 90 the day before the birthday of 2011, and so pooled."""
    done = run(EXPORT, AGES)
    assert done.frame.columns == ["patient_key", "age_at_first_surgery_years", "First", "Surgery", "Sex"]
    assert done.frame["age_at_first_surgery_years"].to_list() == ["28", "90", "28"]
    assert done.frame["patient_key"][0] == done.frame["patient_key"][2] == pseudonym(KEY, "patient_key", ["0012-a"])
    assert done.key_counts == {"patient_key": 2}
    assert done.links.sort("chart_number")["chart_number"].to_list() == ["0012-a", "0013-b"]


def test_ages_at_the_birthday() -> None:
    """By hand."""
    born = ["1980-06-15", "1980-06-15", "2000-02-29", "2000-02-29", "1930-01-01", "1921-01-01", None]
    surgery = ["2020-06-14", "2020-06-15", "2023-02-28", "2023-03-01", "2019-12-31", "2020-01-01", "2020-01-01"]
    table = {"Chart": [f"c{at}" for at in range(7)], "Born": born, "first_surgery_on": surgery}
    done = run(table, Plan("Chart", birth_column="Born"))
    assert done.frame["age_at_first_surgery_years"].to_list() == ["39", "40", "22", "23", "89", "90", None]


def test_ages_of_the_table_are_pooled() -> None:
    table = {"Chart": ["c1", "c2", "c3"], "age_at_first_surgery_years": ["89", "91", None], "Alter": ["104", "90", "x"]}
    done = run(table, Plan("Chart", age_columns=("age_at_first_surgery_years", "Alter")))
    assert done.frame["age_at_first_surgery_years"].to_list() == ["89", "90", None]
    assert done.frame["Alter"].to_list() == ["90", "90", "x"]


def test_other_keys_from_number_and_date_however_the_date_is_written() -> None:
    plan = Plan("Chart", keys={"session_key": ("Chart", "Surgery")}, date_forms=GERMAN, drop=("Born",))
    german = run(EXPORT, plan).frame
    iso = run({**EXPORT, "Surgery": ["2012-06-04", "2011-03-11", "2016-02-01"]}, plan).frame
    assert german["session_key"].to_list() == iso["session_key"].to_list()
    assert german["session_key"].n_unique() == 3
    assert german["session_key"][0] == pseudonym(KEY, "session_key", ["0012-a", "2012-06-04"])


def test_a_number_of_the_site_makes_a_key_and_goes() -> None:
    table = {"Chart": ["c1", "c1"], "Row": ["71", "72"], "session_number": ["1", "2"]}
    keys = {"session_key": ("Chart", "session_number"), "visit_key": ("Row",)}
    assert run(table, Plan("Chart", keys=keys)).frame.columns == [
        "patient_key",
        "session_key",
        "visit_key",
        "session_number",
    ]
    assert "Row" in run(table, Plan("Chart", keys=keys, keep=("Row",))).frame.columns


def test_the_session_of_a_visit_file_has_the_key_of_the_session_file() -> None:
    keys = {"session_key": ("Chart", "Surgery")}
    sessions = run({"Chart": ["c1"], "Surgery": ["2012-06-04"]}, Plan("Chart", keys=keys)).frame
    visits = run(
        {"Chart": ["C1 "], "Surgery": ["04.06.2012"], "visited_on": ["2012-06-11"]},
        Plan("Chart", keys=keys, date_forms=GERMAN, shift_dates=True, drop=()),
    ).frame
    assert sessions["session_key"][0] == visits["session_key"][0]


def test_fields_that_a_record_lacks_are_left_out() -> None:
    table = {"Chart": ["c1"], "Surgery": ["2012-06-04"], "visited_on": ["2012-06-11"], "contact_mode": ["phone"]}
    plan = Plan(
        "Chart",
        keys={"session_key": ("Chart", "Surgery"), "visit_key": ("Chart", "visited_on")},
        shift_dates=True,
        drop=("Surgery",),
        record=record_type("visit"),
    )
    assert run(table, plan).frame.columns == ["session_key", "visit_key", "visited_on", "contact_mode"]


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.text(alphabet="0123456789abcdefgh/-", min_size=5, max_size=9).map("k{}".format),
            st.dates(date(2012, 1, 1), date(2026, 9, 30)),
            st.dates(date(2012, 1, 1), date(2026, 9, 30)),
        ),
        min_size=1,
        max_size=20,
    )
)
def test_shifts_keep_differences_and_no_value_is_left(rows: list[tuple[str, date, date]]) -> None:
    """All dates of a patient move by one number of days, 1 to 364; no chart number stands anywhere."""
    table = {
        "Chart": [number for number, _, _ in rows],
        "performed_on": [day.isoformat() for _, day, _ in rows],
        "visited_on": [day.isoformat() for _, _, day in rows],
    }
    frame = run(table, Plan("Chart", shift_dates=True)).frame
    moved = {}
    for (number, first, second), row in zip(rows, frame.rows(named=True), strict=True):
        offsets = {first - date.fromisoformat(row["performed_on"]), second - date.fromisoformat(row["visited_on"])}
        assert len(offsets) == 1
        (offset,) = offsets
        assert timedelta(1) <= offset <= timedelta(364)
        assert moved.setdefault(number.replace(" ", "").lower(), offset) == offset
        assert row["dates_shifted"] == "yes"
    text = frame.write_csv()
    assert not [number for number, _, _ in rows if f"{number}," in text or f",{number}" in text]


@pytest.mark.parametrize(
    ("change", "plan", "place"),
    [
        ({"Chart": ["c1", None, None]}, Plan("Chart", drop=("Born",)), "row 2, Chart: a key needs this column"),
        ({"Chart": ["c1", "4711.0", "c2"]}, Plan("Chart", drop=("Born",)), "row 2, Chart: a spreadsheet"),
        ({"Chart": ["c1", "c2", "1.2E+07"]}, Plan("Chart", drop=("Born",)), "row 3, Chart: a spreadsheet"),
        ({"Chart": ["c1", "p9tsUajLsuSI7-smbTSBnur", "c2"]}, Plan("Chart", drop=("Born",)), "a pseudonym already"),
        ({}, Plan("Chart", date_forms=GERMAN), "Born"),
        ({}, Plan("Chart", birth_column="Born", surgery_column="First"), "row 1, Born: a date cannot be read"),
        ({"First": ["04.06.1912"] * 3}, AGES, "an age that nobody has"),
        ({}, Plan("Chart", drop=("Born",), shift_dates=True), "a date cannot be read"),
        ({"Surgery": ["04.06.2012", "soon", "01.02.2016"]}, SHIFT, "row 2"),
        ({}, Plan("Chart", keys={"session_key": ("Chart", "Surgery")}, drop=("Born",)), "a date cannot be read"),
        ({}, Plan("Chart", date_forms=("%d/%m/%Y", "%m/%d/%Y")), "two days"),
        ({}, Plan("Chart", date_forms=("%m/%Y",)), "knows no day"),
        ({}, Plan("Card"), "is not in the file"),
        ({}, Plan("Chart", keys={"surgery_key": ("Chart",)}), "no key of the definition"),
        ({}, Plan(None), "no column with chart numbers"),
        ({}, Plan(None, keys={"visit_key": ("Sex",)}, shift_dates=True), "shifted by patient"),
        ({"patient_key": ["a", "b", "c"]}, Plan("Chart"), "beside those that make the key"),
        ({"Folder": ["0012-A", "0013-B", "0012-A"]}, Plan("Chart", drop=("Born",)), "column 5 of the result: it"),
        ({"Sex": ["w", "anna@mail.example", "m"]}, Plan("Chart", drop=("Born",)), "an e-mail address"),
    ],
)  # fmt: skip
def test_refusals_name_the_place_and_no_value(change: dict[str, list[str | None]], plan: Plan, place: str) -> None:
    table: dict[str, list[str | None]] = {**EXPORT, **change}
    text = refusal_of(table, plan)
    assert place in text
    values = {value.strip() for column in table.values() for value in column if value and len(value) > 2}
    assert [value for value in values if value in text] == []
