"""Numbers that give themselves away by check digits: account, card and national numbers.

Forms are met by regular expressions over whole columns; only what has the form is computed. The algorithms are
public standards, taken from the library python-stdnum; card numbers by ISO/IEC 7812-1 (Luhn) with the known lengths
of the larger issuers (recalled), IPv6 addresses by the standard library.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from importlib import import_module
from ipaddress import AddressValueError, IPv6Address
from itertools import product
from string import ascii_uppercase

from .kinds import IdentifierKind

_CARD_ISSUERS = re.compile(
    r"4(?:\d{12}|\d{15}|\d{18})|5[1-5]\d{14}|2(?:22[1-9]|2[3-9]\d|[3-6]\d\d|7[01]\d|720)\d{12}|3[47]\d{13}"
    r"|3(?:0[0-5]|[689]\d)\d{11,16}|6(?:011|4[4-9]\d|5\d\d)\d{12,15}|35(?:2[89]|[3-8]\d)\d{12,15}|62\d{14,17}"
    r"|(?:50|5[6-9]|6[0-9])\d{10,17}"
)

_NATIONAL: tuple[tuple[str, str], ...] = (
    ("gb.nhs", r"[0-9]{3}[ -]?[0-9]{3}[ -]?[0-9]{4}"),
    ("de.idnr", r"[0-9]{2} ?[0-9]{3} ?[0-9]{3} ?[0-9]{3}"),
    ("fr.nir", r"[12] ?[0-9]{2} ?[0-9]{2} ?(?:[0-9]{2}|2[AB]) ?[0-9]{3} ?[0-9]{3} ?[0-9]{2}"),
    ("fr.nif", r"[0-3][0-9] ?[0-9]{2} ?[0-9]{3} ?[0-9]{3} ?[0-9]{3}"),
    ("es.dni", r"[0-9]{8}[ -]?[A-Za-z]"),
    ("es.nie", r"[XYZxyz][ -]?[0-9]{7}[ -]?[A-Za-z]"),
    (
        "it.codicefiscale",
        r"(?i:[A-Z]{3} ?[A-Z]{3} ?[0-9LMNP-V]{2}[A-EHLMPRST][0-9LMNP-V]{2} ?[A-Z][0-9LMNP-V]{3} ?[A-Z])",
    ),
    ("nl.bsn", r"[0-9]{9}|[0-9]{4}\.[0-9]{2}\.[0-9]{3}"),
    ("tr.tckimlik", r"[1-9][0-9]{10}"),
    ("pl.pesel", r"[0-9]{11}"),
    ("us.ssn", r"[0-9]{3}-[0-9]{2}-[0-9]{4}"),
    ("se.personnummer", r"(?:[0-9]{2})?[0-9]{6}[-+]?[0-9]{4}"),
    ("dk.cpr", r"[0-9]{6}-?[0-9]{4}"),
    ("no.fodselsnummer", r"[0-9]{6} ?[0-9]{5}"),
    ("fi.hetu", r"[0-9]{6}[-+A-FU-Y][0-9]{3}[0-9A-Y]"),
    ("br.cpf", r"[0-9]{3}\.?[0-9]{3}\.?[0-9]{3}-?[0-9]{2}"),
    ("in_.aadhaar", r"[2-9][0-9]{3}[ -]?[0-9]{4}[ -]?[0-9]{4}"),
    ("in_.pan", r"[A-Z]{5}[0-9]{4}[A-Z]"),
    ("be.nn", r"[0-9]{2}\.?[0-9]{2}\.?[0-9]{2}-?[0-9]{3}\.?[0-9]{2}"),
    ("ch.ssn", r"756\.?[0-9]{4}\.?[0-9]{4}\.?[0-9]{2}"),
    ("at.vnr", r"[0-9]{4} ?[0-9]{6}"),
    ("pt.nif", r"[0-9]{3} ?[0-9]{3} ?[0-9]{3}"),
    ("pt.cc", r"[0-9]{8} ?[0-9] ?[A-Z0-9]{2}[0-9]"),
    ("ie.pps", r"[0-9]{7}[A-Z]{1,2}"),
    ("ca.sin", r"[0-9]{3}[ -]?[0-9]{3}[ -]?[0-9]{3}"),
    ("cz.rc", r"[0-9]{6}/?[0-9]{3,4}"),
    ("ro.cnp", r"[1-9][0-9]{12}"),
    ("gr.amka", r"[0-9]{11}"),
    ("il.idnr", r"[0-9]{9}"),
    ("za.idnr", r"[0-9]{13}"),
    ("kr.rrn", r"[0-9]{6}-?[0-9]{7}"),
    ("cn.ric", r"[0-9]{17}[0-9X]"),
    ("mx.curp", r"[A-Z]{4}[0-9]{6}[A-Z]{6}[0-9A-Z][0-9]"),
    ("cl.rut", r"[0-9]{1,2}\.[0-9]{3}\.[0-9]{3}-[0-9Kk]"),
)
"""Modules of python-stdnum and the forms in which people write their numbers."""


_LETTERS_AS_NUMBERS = str.maketrans({letter: str(number) for number, letter in enumerate(ascii_uppercase, start=10)})


def is_payment_card(text: str) -> bool:
    """Luhn's sum and the prefix and length of an issuer.

    >>> is_payment_card("4111 1111 1111 1111"), is_payment_card("4111 1111 1111 1112")
    (True, False)
    """
    from stdnum import luhn

    digits = re.sub(r"[ -]", "", text)
    return _CARD_ISSUERS.fullmatch(digits) is not None and luhn.is_valid(digits)


@cache
def iban_countries() -> tuple[str, ...]:
    """The country codes under which account numbers of ISO 13616 are given out, as the library knows them.

    >>> "DE" in iban_countries(), "ZZ" in iban_countries()
    (True, False)
    """
    from stdnum import numdb

    codes = map("".join, product(ascii_uppercase, repeat=2))
    return tuple(code for code in codes if numdb.get("iban").info(f"{code}00")[0][1])


def is_iban(text: str) -> bool:
    """ISO 13616: country, length and remainder 1 modulo 97.

    >>> is_iban("DE89 3704 0044 0532 0130 00"), is_iban("DE88 3704 0044 0532 0130 00")
    (True, False)
    """
    from stdnum import iban

    compact = re.sub(r"[ -]", "", text).upper()
    if not (compact.isascii() and compact.isalnum()):
        return False
    remainder = int((compact[4:] + compact[:4]).translate(_LETTERS_AS_NUMBERS)) % 97
    return remainder == 1 and bool(iban.is_valid(text))  # the remainder is cheap, and settles most keys


def is_ipv6(text: str) -> bool:
    """An address with at least three groups, so that a time of day is none.

    >>> is_ipv6("2001:db8::8a2e:370:7334"), is_ipv6("12:30:45")
    (True, False)
    """
    try:
        IPv6Address(text)
    except AddressValueError:
        return False
    return len(re.findall(r"[0-9A-Fa-f]+", text)) >= 3


@cache
def _validator(module: str) -> Callable[[str], bool]:
    valid: Callable[[str], bool] = import_module(f"stdnum.{module}").is_valid
    return valid


def _national(module: str) -> Callable[[str], bool]:
    return lambda text: _validator(module)(text)


CHECKED: tuple[tuple[IdentifierKind, str, Callable[[str], bool]], ...] = (
    (IdentifierKind.BANK, r"[A-Za-z]{2}[0-9]{2}(?:[ -]?[0-9A-Za-z]{2,4}){3,9}", is_iban),
    (
        IdentifierKind.BANK,
        r"[0-9]{4}(?:[ -]?[0-9]{4}){2}[ -]?[0-9]{1,7}|3[0-9]{3}[ -]?[0-9]{6}[ -]?[0-9]{4,5}",
        is_payment_card,
    ),
    (IdentifierKind.NETWORK, r"[0-9A-Fa-f:]*:[0-9A-Fa-f:]*:[0-9A-Fa-f:.]*", is_ipv6),
    *((IdentifierKind.NATIONAL_NUMBER, form, _national(module)) for module, form in _NATIONAL),
)
"""Kind, form without boundaries, and the function that settles it."""
