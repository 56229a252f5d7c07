"""What the levels take away: keys, dates, small groups.

Expected: *by hand* for small tables; for whole exports, k is counted anew with DuckDB from the files alone.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.exports import Exported, Level
from pipelines.exports.gathering import key_of, secret_for
from pipelines.exports.k_anonymity import reach_anonymity, risk_of
from pipelines.exports.masking import mask
from pipelines.exports.quasi_identifiers import SENSITIVE, bands, pooled, quasi_identifiers
from pipelines.exports.tables import tables_at
from registry import GraftledgerError, open_registry
from registry.definition import RECORD_TYPES, Kind

QUASI = {"sex", "age_band", "index_years", "indication", "pattern_stage", "hair_colour", "sessions_here"}


def csv(done: Exported, table: str) -> pl.DataFrame:
    return pl.read_csv(done.folder / "data" / f"{table}.csv", infer_schema_length=None)


def texts(done: Exported) -> str:
    return "\n".join(path.read_text(encoding="utf-8") for path in done.folder.rglob("*.csv"))


def test_keys_are_those_of_the_registry_at_the_level_internal_alone(
    exports: dict[Level, Exported], clinics: Path
) -> None:
    with open_registry(clinics) as registry:
        keys = [key for (key,) in registry.connection.execute("select patient_key from patient limit 200").fetchall()]
        for record in RECORD_TYPES:
            of_record = [field.name for field in record.fields if field.kind is Kind.PSEUDONYM]
            for name in of_record:
                found = registry.connection.execute(f"select {name} from {record.name} limit 100").fetchall()
                keys += [key for (key,) in found]
                assert any(key in texts(exports[Level.INTERNAL]) for (key,) in found), (record.name, name)
    for level in (Level.LIMITED, Level.ANONYMOUS):
        assert not any(key in texts(exports[level]) for key in keys)


def test_keys_are_hmac_and_hold_the_tables_together(exports: dict[Level, Exported]) -> None:
    secret = secret_for(7)  # the seed of the fixture; RFC 2104 by Python's own library
    old = csv(exports[Level.INTERNAL], "patients").get_column("patient_key").to_list()
    new = set(csv(exports[Level.LIMITED], "patients").get_column("patient_key"))
    assert {key_of(secret, key) for key in old} == new
    assert secret_for(None) != secret_for(None)


def test_only_those_who_consented(exports: dict[Level, Exported], clinics: Path) -> None:
    with open_registry(clinics) as registry:
        barred = registry.connection.execute(
            "select patient_key from patient where consent_scope is distinct from 'audit_and_research'"
        ).fetchall()
    assert len(barred) > 100
    there = set(csv(exports[Level.INTERNAL], "patients").get_column("patient_key"))
    assert not there & {key for (key,) in barred}


def test_the_level_anonymous_has_no_date_site_or_surgeon(exports: dict[Level, Exported], clinics: Path) -> None:
    done = exports[Level.ANONYMOUS]
    assert not re.search(r"\b(19|20)\d\d-[01]\d-[0-3]\d\b", texts(done))
    with open_registry(clinics) as registry:
        codes = (*registry.settings.sites, *registry.settings.surgeons)
    barred = {f.name for r in RECORD_TYPES for f in r.fields if f.kind in (Kind.SITE, Kind.SURGEON, Kind.DATE)}
    for table in done.rows:
        frame = csv(done, table)
        assert not barred & set(frame.columns)
        for column in frame.select(pl.col(pl.String)).iter_columns():
            assert not set(codes) & set(column)
    assert csv(done, "patients").columns.count("age_at_first_surgery_years") == 0


def test_k_holds_when_counted_anew_from_the_files(exports: dict[Level, Exported]) -> None:
    done = exports[Level.ANONYMOUS]
    path = done.folder / "data" / "patients.parquet"
    shown = [name for name in pl.read_parquet_schema(path) if name in QUASI]
    assert {"age_band", "sessions_here"} <= set(shown)
    sizes = [n for (n,) in duckdb.sql(f"select count(*) from '{path}' group by {', '.join(shown)}").fetchall()]
    assert min(sizes) >= 11
    report = json.loads((done.folder / "disclosure.json").read_text(encoding="utf-8"))
    assert (report["after"]["smallest"], report["after"]["patients"]) == (min(sizes), sum(sizes))
    # the sessions that can be seen are no more than the quasi-identifier says
    seen = csv(done, "sessions").group_by("patient_key").len()
    told = csv(done, "patients").join(seen, on="patient_key")
    assert (told.get_column("len") <= told.get_column("sessions_here")).all()


def test_no_answer_of_the_level_anonymous_is_shared_by_few(exports: dict[Level, Exported]) -> None:
    done = exports[Level.ANONYMOUS]
    structure = {"is_index", "first_operated_here", "event", "gap_number", "number_here", "sessions_here", "measure"}
    for table in ("patients", "sessions", "visits", "complications", "graft_counts"):
        frame = csv(done, table)
        schema = json.loads((done.folder / "datapackage.json").read_text(encoding="utf-8"))
        fields = next(r for r in schema["resources"] if r["name"] == table)["schema"]["fields"]
        for field in fields:
            coded = field["type"] == "boolean" or "enum" in field.get("constraints", {})
            if field["name"] in structure or not coded:
                continue
            few = (
                frame.drop_nulls(field["name"])
                .group_by(field["name"])
                .agg(pl.col("patient_key").n_unique().alias("n"))
                .filter(pl.col("n") < 11)
            )
            assert few.is_empty(), (table, field["name"])


def people(n: int, **columns: list[object]) -> pl.DataFrame:
    plain: dict[str, list[object]] = {
        "sex": ["male"] * n,
        "age": [40] * n,
        "index_year": [2020] * n,
        "indication": ["pattern_loss"] * n,
        "pattern": ["norwood_hamilton III"] * n,
        "hair_colour": ["brown"] * n,
        "sessions_here": [1] * n,
        "smoking": ["never"] * n,
        "diabetes": ["no"] * n,
        "medical_therapy": ["none"] * n,
    }
    return pl.DataFrame(plain | columns)


def test_rare_answers_join_the_next_rarest_so_that_nobody_is_left_out() -> None:
    table = people(60, sex=["male"] * 58 + ["female"] * 2, hair_colour=["brown"] * 59 + ["red"])
    reached = reach_anonymity(table, quasi_identifiers(table, 11), 11)
    # two women and one with red hair are rarer than 11: pooled they reach no 11, so the next rarest joins them
    assert reached.kept.all()
    assert reached.chosen["sex"] == 0


def test_a_group_that_gives_an_answer_away_is_left_out_or_merged() -> None:
    table = people(400, sex=["male"] * 385 + ["female"] * 15, diabetes=["no"] * 385 + ["yes"] * 15)
    reached = reach_anonymity(table, quasi_identifiers(table, 11), 11)
    sexes = next(q for q in quasi_identifiers(table, 11) if q.name == "sex").forms[reached.chosen["sex"]]
    shown = table.with_columns(form=sexes.values).filter(reached.kept)
    for _, group in shown.group_by("form"):
        assert set(group.get_column("diabetes")) != {"yes"}


def test_it_refuses_where_the_level_cannot_be_reached() -> None:
    table = people(20, diabetes=["yes"] * 20)
    with pytest.raises(GraftledgerError, match="cannot be reached"):
        reach_anonymity(table, quasi_identifiers(table, 11), 11)


@settings(max_examples=25)
@given(
    st.lists(
        st.tuples(st.sampled_from(["male", "female", None]), st.integers(16, 90), st.integers(2010, 2025)),
        min_size=11,
        max_size=120,
    ),
    st.integers(2, 12),
)
def test_whatever_the_patients_every_group_is_large_enough(rows: list[tuple[str | None, int, int]], k: int) -> None:
    sexes, ages, years = (list(column) for column in zip(*rows, strict=True))
    table = people(len(rows), sex=sexes, age=ages, index_year=years)
    identifiers = quasi_identifiers(table, k)
    try:
        reached = reach_anonymity(table, identifiers, k)
    except GraftledgerError:
        return
    shown = pl.DataFrame([q.forms[reached.chosen[q.name]].values.alias(q.name) for q in identifiers])
    sizes = shown.filter(reached.kept).group_by(pl.all()).len().get_column("len")
    assert sizes.min() >= k  # type: ignore[operator]
    assert (~reached.kept).sum() <= 0.05 * len(rows)


@given(st.lists(st.integers(16, 90), min_size=1, max_size=80), st.integers(1, 12), st.sampled_from([5, 10, 20]))
def test_bands_hold_each_age_in_its_place(ages: list[int], k: int, width: int) -> None:
    values = bands(pl.Series(ages), width, k, top=90).to_list()
    for age, band in zip(ages, values, strict=True):
        assert band is not None
        numbers = [int(text) for text in re.findall(r"\d+", band)]
        match band.split():
            case ["all"]:
                continue
            case ["up", "to", _]:
                assert age <= numbers[0]
            case [_, "or", "more"]:
                assert age >= numbers[0]
            case _:
                assert numbers[0] <= age <= numbers[1]
                assert numbers[1] < 90 + width
    assert "90-94" not in values
    assert "90-99" not in values


def test_rare_answers_are_pooled_until_k_share_that() -> None:
    values = pl.Series(["a"] * 20 + ["b"] * 12 + ["c"] * 3 + ["d"])
    assert pooled(values, 11).value_counts().sort("count").rows() == [("withheld", 16), ("a", 20)]  # c, d and b
    assert pooled(values, 3).value_counts().sort("count").rows() == [("withheld", 4), ("b", 12), ("a", 20)]
    # rows of few patients are few, however many they are
    one = pl.Series([1] * 12 + list(range(2, 26)))
    assert set(pooled(pl.Series(["a"] * 12 + ["b"] * 24), 11, one)) == {"withheld"}


def test_a_rare_yes_takes_its_column_away_and_far_ends_are_cut() -> None:
    table = next(t for t in tables_at(Level.ANONYMOUS) if t.name == "complications")
    n = 40
    frame = pl.DataFrame(
        {
            **{column.name: pl.Series([None] * n, dtype=pl.String) for column in table.columns},
            "patient_key": [f"p{number}" for number in range(n)],
            "kind": ["swelling"] * n,
            "onset_day": [*range(0, 7 * (n - 1), 7), 3000],
        }
    )
    masked = mask(table, frame, 11)
    days = masked.frame.get_column("onset_day")
    assert (days.min(), days.max()) == (70, 7 * (n - 11))  # the 11th lowest and the 11th highest
    assert (days % 7 == 0).all()
    assert "treatment" not in masked.frame.columns
    assert masked.changes["treatment"].startswith("left out")
    assert [column.name for column in masked.table.columns] == masked.frame.columns


def test_the_risk_counts_patients_by_size_of_their_group() -> None:
    risk = risk_of([1, 1, 3, 12, 200], 11)
    assert (risk.patients, risk.smallest, risk.unique, risk.below_k) == (217, 1, 2, 5)
    assert {words: groups for words, groups, _ in risk.sizes}["11-20"] == 1
    assert sum(patients for *_, patients in risk.sizes) == 217
    assert set(SENSITIVE) == {"smoking", "diabetes", "medical_therapy"}
