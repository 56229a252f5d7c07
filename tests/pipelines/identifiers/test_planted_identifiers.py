"""2,000 planted identifiers of 29 kinds in every sort of field: all are found, none repeated, nothing else stopped."""

from __future__ import annotations

import base64
from collections import Counter
from functools import cache
from random import Random

import polars as pl
import pytest

from pipelines.identifiers import TableFacts, find_identifiers, telling_cells
from registry import record_type
from registry.definition import Kind
from synthetic_data import SITES, SURGEONS

from .clean_rows import RECORD_NAMES, any_rows, fictional_clinics
from .made_up import MAKERS

_PLANTED = 2_000
_EARLY_DATES = {"first_surgery_on", "performed_on"}
"""Where a date of birth is a date like any other: an early surgery."""


def _facts(record: str | None) -> TableFacts:
    declared = record_type(record) if record else None
    return TableFacts(record=declared, site_codes=SITES, surgeon_codes=SURGEONS)


def _targets() -> list[tuple[str, str, str]]:
    """(kind, record, field) in turns, so that every kind meets every sort of field."""
    fields = [(record, field) for record in RECORD_NAMES for field in record_type(record).fields]
    by_sort: dict[Kind, list[tuple[str, str]]] = {}
    for record, field in fields:
        by_sort.setdefault(field.kind, []).append((record, field.name))
    targets = []
    turn = 0
    while len(targets) < _PLANTED:
        for kind in MAKERS:
            for places in by_sort.values():
                record, name = places[turn % len(places)]
                if not (kind == "birth_date" and name in _EARLY_DATES):
                    targets.append((kind, record, name))
        turn += 1
    return targets[:_PLANTED]


@cache
def _planted() -> tuple[dict[str, pl.DataFrame], dict[str, dict[tuple[int, int], tuple[str, str]]]]:
    """Frames with identifiers in them, and by record: (column, row) -> (kind, value)."""
    random = Random(20_260_930)
    rows = {record: any_rows(record, 2_400, 7).to_dict(as_series=False) for record in RECORD_NAMES}
    truth: dict[str, dict[tuple[int, int], tuple[str, str]]] = {record: {} for record in RECORD_NAMES}
    for kind, record, field in _targets():
        value, column = MAKERS[kind](random), list(rows[record]).index(field)
        row = next(at for at in iter(lambda: random.randrange(2_400), -1) if (column, at) not in truth[record])
        rows[record][field][row] = value
        truth[record][column, row] = (kind, value)
    return {record: pl.DataFrame(columns) for record, columns in rows.items()}, truth


def test_the_planting_covers_kinds_and_fields() -> None:
    targets = _targets()
    sorts = {(kind, record_type(record).field(field).kind) for kind, record, field in targets}
    assert len(targets) == _PLANTED
    assert len(MAKERS) >= 15
    assert sorts == {(kind, sort) for kind in MAKERS for sort in Kind}


def test_every_planted_identifier_is_found_and_nothing_else() -> None:
    frames, truth = _planted()
    missed: Counter[str] = Counter()
    alarms = 0
    for record, frame in frames.items():
        found = {(column, row) for column, row, _ in telling_cells(frame, _facts(record)).rows()}
        missed.update(kind for place, (kind, _) in truth[record].items() if place not in found)
        alarms += len(found - set(truth[record]))
    assert missed == Counter()
    assert alarms == 0


def test_no_message_repeats_a_value() -> None:
    frames, truth = _planted()
    for record, frame in frames.items():
        faults = find_identifiers(frame, file_name=f"{record}.csv", facts=_facts(record))
        text = "\n".join(map(str, faults))
        assert faults
        assert all(fault.file and fault.row and fault.field for fault in faults)
        assert [value for _, value in truth[record].values() if value in text] == []


@pytest.mark.parametrize("kind", sorted(set(MAKERS) - {"birth_date"}))
def test_found_in_a_site_s_own_column(kind: str) -> None:
    """Without a known field there are no codes to compare with: the form alone must tell, in a column of answers.

    A date of birth by itself tells nothing there; a column of them does, see test_birth_dates.py.
    """
    random = Random(kind)
    values = [random.choice(["Scheitel", "Schläfe", "2500", "12.5", "03.05.2024"]) for _ in range(300)]
    at = random.sample(range(300), 20)
    for row in at:
        values[row] = MAKERS[kind](random)
    cells = telling_cells(pl.DataFrame({"Spalte": values}), TableFacts())
    assert sorted(cells["row"]) == sorted(at)


@pytest.mark.parametrize("record", RECORD_NAMES)
@pytest.mark.parametrize("known", [True, False], ids=["known fields", "unknown columns"])
def test_no_false_alarm_on_clean_rows(record: str, known: bool) -> None:
    """Together more than 10,000 rows of the fictional clinics, and 12,000 of anything that the definition allows."""
    facts = _facts(record if known else None)
    for frame in (fictional_clinics()[record], any_rows(record, 2_000, 11)):
        assert find_identifiers(frame, file_name="clean.csv", facts=facts) == []


def test_there_are_10_000_clean_rows() -> None:
    assert sum(frame.height for frame in fictional_clinics().values()) >= 10_000


@pytest.mark.parametrize("letters", ["base64", "base32", "hex"])
def test_no_false_alarm_on_keys_of_any_make(letters: str) -> None:
    """100,000 random keys each; a key of 16 hexadecimal digits may be digits alone, which stops a file: not here."""
    random = Random(6)
    make = {
        "base64": lambda: base64.urlsafe_b64encode(random.randbytes(17)).decode("ascii").rstrip("="),
        "base32": lambda: base64.b32encode(random.randbytes(15)).decode("ascii").lower(),
        "hex": lambda: random.randbytes(20).hex(),
    }[letters]
    frame = pl.DataFrame({"patient_key": [make() for _ in range(100_000)]})
    assert find_identifiers(frame, file_name="x.csv", facts=_facts("patient")) == []
    assert find_identifiers(frame, file_name="x.csv") == []


def test_single_identifiers_among_keys_are_found_in_a_site_s_own_column() -> None:
    random = Random(8)
    keys = [random.randbytes(12).hex() for _ in range(400)]
    planted = ["anna@mail.example", "Krawinkel_Maelle_84", "00000000000012345678", "RSSMRA85T10A562S", "4711"]
    for at, value in enumerate(planted):
        keys[at * 50] = value
    cells = telling_cells(pl.DataFrame({"Code": keys}), TableFacts())
    assert cells["row"].to_list() == [0, 50, 100, 150]  # 4711 alone is no key, but no identifier either
