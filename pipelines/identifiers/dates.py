"""How dates are written, so that they are not taken for other numbers, and are found where none belongs."""

from __future__ import annotations

_YEAR, _MONTH, _DAY = r"(?:19|20|21)[0-9]{2}", r"(?:0?[1-9]|1[0-2])", r"(?:0?[1-9]|[12][0-9]|3[01])"
_CLOCK = r"(?:[T ]+[0-2]?[0-9]:[0-5][0-9](?::[0-5][0-9](?:[.,][0-9]+)?)?(?:Z|[+-][0-9]{2}:?[0-9]{2})?)?"

_MONTH_NAMES = """
    january february march april may june july august september october november december januar februar marz
    maerz mai juni juli oktober dezember janvier fevrier mars avril juin juillet aout septembre octobre novembre
    decembre enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre gennaio
    febbraio aprile maggio giugno luglio settembre ottobre dicembre janeiro fevereiro marco maio junho julho
    setembro outubro novembro dezembro januari februari maart mei augustus ocak subat mart nisan mayis haziran
    temmuz agustos eylul ekim kasim aralik stycznia lutego marca kwietnia maja czerwca lipca sierpnia wrzesnia
    pazdziernika listopada grudnia
"""
MONTH_NAMES = frozenset(_MONTH_NAMES.split())
"""Names of months in nine languages, without accents."""

_NAMED = (
    r"(?:[0-9]{1,2}\.? ?(?:de |di )?\p{L}{3,12}\.?,? ?(?:de |del )?(?:19|20)[0-9]{2}"
    r"|\p{L}{3,9}\.? [0-9]{1,2},? (?:19|20)[0-9]{2})"
)
NUMERIC_DATE = (
    rf"\b(?:{_YEAR}[-./]{_MONTH}[-./]{_DAY}|{_DAY}[-./] ?{_MONTH}[-./] ?{_YEAR}|{_MONTH}[-./]{_DAY}[-./]{_YEAR})\b"
    rf"{_CLOCK}"
)
"""A date with a year of four digits, and its time of day, anywhere in a text."""
SHORT_DATE = rf"^(?:{_DAY}[-./]{_MONTH}|{_MONTH}[-./]{_DAY})[-./][0-9]{{2}}{_CLOCK}$"
"""A whole text that is a date with a year of two digits."""
_RUN_OF_DIGITS = (
    rf"^(?:{_YEAR}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])|(?:0[1-9]|[12][0-9]|3[01])(?:0[1-9]|1[0-2]){_YEAR})$"
)
WHOLE_DATE = rf"(?:^{NUMERIC_DATE}$|{SHORT_DATE}|^{_NAMED}$|{_RUN_OF_DIGITS})"
"""A whole text that is a date, however it is written."""
TIMESTAMP = (
    r"^(?:19|20)[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])"
    r"(?:[01][0-9]|2[0-3])[0-5][0-9](?:[0-5][0-9])?$"
)
"""A whole text that is a date and a time of day in one run of digits."""
DECIMAL = r"^[-+]?(?:0|[1-9][0-9]{0,8})?[.,][0-9]+(?:[eE][-+]?[0-9]{1,3})?$"
"""A whole text that is a number with decimals, as people and programs write them."""
