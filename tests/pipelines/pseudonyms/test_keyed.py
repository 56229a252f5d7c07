"""Keyed pseudonyms and date shifts: the same every time, different for different numbers, and silent about them."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from pipelines.pseudonyms import PracticeKey
from pipelines.pseudonyms.keyed import MOST_DAYS_BACK, days_back, normalised, pseudonym
from registry import record_type

KEY = PracticeKey(bytes(range(1, 33)))
OTHER_KEY = PracticeKey(bytes(range(2, 34)))
PATTERN = record_type("patient").field("patient_key").pattern or ""
TEXT = st.text(min_size=1, max_size=40)


def test_value_by_other_software() -> None:
    """Other software (OpenSSL 3.0.19), over the message laid out by hand: three texts, each after its length.

    printf '\\0\\0\\0\\x0dgraftledger 1\\0\\0\\0\\x15pseudonym patient_key\\0\\0\\0\\x060012-a' | openssl dgst -sha256
    -mac HMAC -macopt hexkey:0102...20 -binary | base64 | tr '+/' '-_': 9a1KvIXfWzSDTMHNf4nwk2-Pz3ZNqd5yi0dthnTDp3c=
    """
    assert pseudonym(KEY, "patient_key", ["0012-a"]) == "p" + "9a1KvIXfWzSDTMHNf4nwk2-Pz3ZNqd5yi0dthnTDp3c="[:22]


@given(TEXT)
def test_same_input_same_key_in_the_definition_s_pattern(number: str) -> None:
    made = pseudonym(KEY, "patient_key", [number])
    assert made == pseudonym(PracticeKey(bytes(range(1, 33))), "patient_key", [number])
    assert re.fullmatch(PATTERN, made)
    assert made != pseudonym(OTHER_KEY, "patient_key", [number])


@given(st.text(min_size=5, max_size=40))
def test_the_key_does_not_hold_the_number(number: str) -> None:
    assert number not in pseudonym(KEY, "patient_key", [number])


@given(TEXT, TEXT)
def test_no_two_purposes_or_lists_of_parts_meet(one: str, other: str) -> None:
    made = [
        pseudonym(KEY, "session_key", [one, other]),
        pseudonym(KEY, "session_key", [one + other]),
        pseudonym(KEY, "session_key", [one, other, ""]),
        pseudonym(KEY, "visit_key", [one, other]),
    ]
    assert len({text[1:] for text in made}) == len(made)


def test_200_000_numbers_give_200_000_keys() -> None:
    numbers = [f"{number:06d}" for number in range(100_000)] + [f"{number}-b" for number in range(100_000)]
    keys = {pseudonym(KEY, "patient_key", [number]) for number in numbers}
    assert len(keys) == 200_000
    assert all(re.fullmatch(PATTERN, key) for key in keys)


@given(TEXT)
def test_normalising_twice_changes_nothing(text: str) -> None:
    assert normalised(normalised(text)) == normalised(text)


@given(st.text(alphabet="0123456789abcXYZ-/. ", min_size=1))
def test_spaces_and_case_do_not_count(text: str) -> None:
    assert normalised(f"  {text.upper()} ") == normalised(text.lower().replace(" ", ""))


def test_leading_zeros_and_signs_count() -> None:
    assert len({normalised(text) for text in ("0012", "012", "12", "1-2", "1/2")}) == 5


@given(TEXT)
def test_a_shift_is_never_zero(number: str) -> None:
    assert 1 <= days_back(KEY, number) <= MOST_DAYS_BACK
    assert days_back(KEY, number) == days_back(KEY, number)


def test_shifts_are_spread_over_the_year() -> None:
    """By hand: of 36,400 patients each of 364 days takes 100 on average, standard deviation 10; 6 of them are 60."""
    counts = [0] * (MOST_DAYS_BACK + 1)
    for number in range(36_400):
        counts[days_back(KEY, str(number))] += 1
    assert counts[0] == 0
    assert all(40 <= count <= 160 for count in counts[1:])
