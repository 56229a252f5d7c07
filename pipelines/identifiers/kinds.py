"""The kinds of identifier that stop a file, in the words that a user reads."""

from __future__ import annotations

from enum import StrEnum


class IdentifierKind(StrEnum):
    """What a column's name suggests or a value looks like. Where several fit, the first of this list is named."""

    EMAIL = "an e-mail address"
    WEB = "a web address or account"
    NETWORK = "a network or device address"
    BANK = "a bank account or payment card"
    NATIONAL_NUMBER = "a national identity, tax or health number"
    INSURANCE = "an insurance number"
    FILE_NAME = "a picture or a file name"
    BIRTH_DATE = "a date of birth"
    ADDRESS = "an address or place"
    NAME = "a person's name"
    PHONE = "a telephone number"
    RECORD_NUMBER = "a record or chart number"
    LONG_NUMBER = "a number as long as a telephone, record or national number"
    FULL_DATE = "a full date where no date belongs"
    VEHICLE = "a vehicle or licence plate"
    BIOMETRIC = "a biometric mark"
    FREE_TEXT = "free text"
    NO_PSEUDONYM = "a chart number or name in place of a pseudonym"


PRIORITY: dict[IdentifierKind, int] = {kind: rank for rank, kind in enumerate(IdentifierKind)}
"""The lower, the sooner named."""
