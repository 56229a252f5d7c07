"""Numbers with sound check digits are told from the same numbers with another last digit."""

from __future__ import annotations

from random import Random

import pytest

from pipelines.identifiers.check_digits import CHECKED, is_iban, is_ipv6, is_payment_card

from .made_up import MAKERS

NATIONAL = (
    *("nhs", "steuer_id", "nir", "dni", "nie", "codice_fiscale", "bsn"),
    *("tckn", "pesel", "ssn", "personnummer", "cpf", "aadhaar"),
)


def known(text: str) -> bool:
    return any(is_valid(text) for kind, _, is_valid in CHECKED if kind.name == "NATIONAL_NUMBER")


@pytest.mark.parametrize(
    "number",
    [
        "4111 1111 1111 1111",
        "5500 0000 0000 0004",
        "378282246310005",
        "6011 0000 0000 0004",
    ],
)
def test_card_numbers_of_test_systems(number: str) -> None:
    """Recalled: numbers that issuers give out for tests."""
    assert is_payment_card(number)
    assert not is_payment_card(number[:-1] + str((int(number[-1]) + 1) % 10))


def test_luhn_alone_makes_no_card() -> None:
    """By hand: 1111 1111 1111 1117 passes Luhn's sum, yet no issuer's numbers begin with 1."""
    assert not is_payment_card("1111111111111117")


def test_iban_of_the_standard_s_examples() -> None:
    """Recalled: examples of ISO 13616."""
    for number in ("GB82 WEST 1234 5698 7654 32", "DE89370400440532013000", "FR1420041010050500013M02606"):
        assert is_iban(number)
        assert not is_iban(number.replace("1", "2", 1))


@pytest.mark.parametrize(("text", "sound"), [("2001:db8::8a2e:370:7334", True), ("12:30:45", False), ("::", False)])
def test_ipv6(text: str, sound: bool) -> None:
    assert is_ipv6(text) is sound


@pytest.mark.parametrize("kind", NATIONAL)
def test_national_numbers_made_by_hand(kind: str) -> None:
    """The check digits of these were computed in the test's own code."""
    random = Random(3)
    assert all(known(MAKERS[kind](random)) for _ in range(200))


@pytest.mark.parametrize("kind", ["dni", "nie", "codice_fiscale"])
def test_another_last_letter_is_refused(kind: str) -> None:
    random = Random(4)
    numbers = [MAKERS[kind](random) for _ in range(200)]
    assert not any(known(number[:-1] + ("A" if number[-1] != "A" else "B")) for number in numbers)
