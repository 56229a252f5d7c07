"""Invented identifiers with sound check digits, computed here by hand and not by the library that the gate uses."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

_SURNAMES = (
    "Krawinkel",
    "Oduyale",
    "Brannigan",
    "Thulesius",
    "Vandersteen",
    "Morvaux",
    "Quistgaard",
    "Zelenko",
    "Ibarretxe",
    "Halvorsson",
)
_GIVEN = (
    "Tjorven",
    "Oluwaseun",
    "Siobhan",
    "Ragnhild",
    "Joost",
    "Maelle",
    "Torvald",
    "Bohdan",
    "Itziar",
    "Solveig",
)
_STREETS = (
    "Harbour",
    "Orchard",
    "Quarry",
    "Meadow",
    "Lantern",
    "Willow",
    "Chapel",
    "Mill",
)


def _digits(random: Random, count: int, first: str = "123456789") -> str:
    return random.choice(first) + "".join(random.choice("0123456789") for _ in range(count - 1))


def _until(make: Callable[[], str | None]) -> str:
    while (made := make()) is None:
        pass
    return made


def luhn_digit(digits: str) -> str:
    """The digit that makes Luhn's sum a multiple of ten."""
    doubled = [int(digit) * 2 if at % 2 == 0 else int(digit) for at, digit in enumerate(reversed(digits))]
    return str(-sum(value // 10 + value % 10 for value in doubled) % 10)


def card(random: Random) -> str:
    start = "4" + _digits(random, 14)
    number = start + luhn_digit(start)
    return random.choice([number, " ".join(number[at : at + 4] for at in range(0, 16, 4))])


def iban(random: Random) -> str:
    account = _digits(random, 18)
    number = f"DE{98 - int(account + '131400') % 97:02d}{account}"
    return random.choice([number, " ".join(number[at : at + 4] for at in range(0, 22, 4))])


def nhs(random: Random) -> str:
    def make() -> str | None:
        start = _digits(random, 9, "4567")
        check = 11 - sum(int(digit) * (10 - at) for at, digit in enumerate(start)) % 11
        if check == 10:
            return None
        number = start + str(check % 11)
        return random.choice([number, f"{number[:3]} {number[3:6]} {number[6:]}"])

    return _until(make)


def steuer_id(random: Random) -> str:
    def make() -> str | None:
        ten = [*random.sample("0123456789", 9)]
        ten.insert(random.randrange(9), random.choice(ten))
        if ten[0] == "0" or any(ten.count(digit) > 2 for digit in ten):
            return None
        product = 10
        for digit in ten:
            product = ((int(digit) + product) % 10 or 10) * 2 % 11
        return "".join(ten) + str((11 - product) % 10)

    return _until(make)


def nir(random: Random) -> str:
    start = (
        f"{random.choice('12')}{random.randrange(40, 99)}{random.randrange(1, 13):02d}{random.randrange(10, 95)}"
        f"{random.randrange(1, 900):03d}{random.randrange(1, 999):03d}"
    )
    number = f"{start}{97 - int(start) % 97:02d}"
    spaced = f"{number[0]} {number[1:3]} {number[3:5]} {number[5:7]} {number[7:10]} {number[10:13]} {number[13:]}"
    return random.choice([number, spaced])


def dni(random: Random) -> str:
    number = _digits(random, 8)
    return number + random.choice(["", "-"]) + "TRWAGMYFPDXBNJZSQVHLCKE"[int(number) % 23]


def nie(random: Random) -> str:
    number = _digits(random, 7, "0123456789")
    return f"X{number}{'TRWAGMYFPDXBNJZSQVHLCKE'[int(number) % 23]}"


_TEN = (1, 0, 5, 7, 9, 13, 15, 17, 19, 21)
_REST = (2, 4, 18, 20, 11, 3, 6, 8, 12, 14, 16, 10, 22, 25, 24, 23)
_ODD = dict(zip("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", (*_TEN, *_TEN, *_REST), strict=True))


def codice_fiscale(random: Random) -> str:
    consonants = "BCDFGLMNPRSTVZ"
    start = (
        "".join(random.choice(consonants) for _ in range(6))
        + f"{random.randrange(40, 99)}{random.choice('ABCDEHLMPRST')}{random.randrange(1, 29):02d}"
        + f"{random.choice('ABCDEFGHIL')}{random.randrange(1, 999):03d}"
    )
    even = {letter: at % 10 if letter.isdigit() else at - 10 for at, letter in enumerate(_ODD)}
    total = sum((_ODD if at % 2 == 0 else even)[letter] for at, letter in enumerate(start))
    return start + chr(ord("A") + total % 26)


def bsn(random: Random) -> str:
    def make() -> str | None:
        start = _digits(random, 8)
        check = sum(int(digit) * (9 - at) for at, digit in enumerate(start)) % 11
        return None if check == 10 else start + str(check)

    return _until(make)


def tckn(random: Random) -> str:
    nine = [int(digit) for digit in _digits(random, 9)]
    tenth = (sum(nine[0::2]) * 7 - sum(nine[1::2])) % 10
    return "".join(map(str, [*nine, tenth, (sum(nine) + tenth) % 10]))


def pesel(random: Random) -> str:
    start = f"{random.randrange(40, 99)}{random.randrange(1, 13):02d}{random.randrange(1, 29):02d}{_digits(random, 4)}"
    weights = (1, 3, 7, 9, 1, 3, 7, 9, 1, 3)
    return start + str(-sum(int(digit) * weight for digit, weight in zip(start, weights, strict=True)) % 10)


def ssn(random: Random) -> str:
    return f"{random.randrange(100, 600)}-{random.randrange(10, 99)}-{random.randrange(1000, 9999)}"


def personnummer(random: Random) -> str:
    start = f"{random.randrange(40, 99)}{random.randrange(1, 13):02d}{random.randrange(1, 29):02d}"
    serial = _digits(random, 3)
    return f"{start}-{serial}{luhn_digit(start + serial)}"


def cpf(random: Random) -> str:
    number = _digits(random, 9)
    for _ in range(2):
        weights = range(len(number) + 1, 1, -1)
        check = sum(int(digit) * weight for digit, weight in zip(number, weights, strict=True)) * 10 % 11
        number += str(check % 10)
    return random.choice([number, f"{number[:3]}.{number[3:6]}.{number[6:9]}-{number[9:]}"])


def _product(a: int, b: int) -> int:
    """In the dihedral group of order ten: 0 to 4 turn, 5 to 9 flip."""
    turned = (a + b) % 5 if a < 5 else (a - b) % 5
    return turned + 5 if (a < 5) != (b < 5) else turned


_TURN = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4]


def _turned(digit: int, times: int) -> int:
    for _ in range(times % 8):
        digit = _TURN[digit]
    return digit


def aadhaar(random: Random) -> str:
    """Verhoeff's digit: the one with which the product in the dihedral group of order ten is 0."""

    def make() -> str | None:
        start = _digits(random, 11, "23456789")
        for last in "0123456789":
            product = 0
            for at, digit in enumerate(reversed(start + last)):
                product = _product(product, _turned(int(digit), at))
            if product == 0:
                number = start + last
                palindrome = number == number[::-1]
                return None if palindrome else random.choice([number, f"{number[:4]} {number[4:8]} {number[8:]}"])
        return None

    return _until(make)


def email(random: Random) -> str:
    return f"{random.choice(_GIVEN).lower()}.{random.choice(_SURNAMES).lower()}@mail{random.randrange(99)}.example"


def web(random: Random) -> str:
    return f"https://www.pictures.example/{random.choice(_SURNAMES).lower()}"


def ipv4(random: Random) -> str:
    return ".".join(str(random.randrange(1, 255)) for _ in range(4))


def ipv6(random: Random) -> str:
    return ":".join(f"{random.randrange(4096, 65535):x}" for _ in range(8))


def phone_abroad(random: Random) -> str:
    return (
        f"+{random.choice(['49', '33', '34', '39', '44', '90', '48', '31'])} {_digits(random, 3)} {_digits(random, 6)}"
    )


def phone_at_home(random: Random) -> str:
    return random.choice(
        [
            f"01{_digits(random, 2)}/{_digits(random, 7)}",
            f"06 {' '.join(_digits(random, 2) for _ in range(4))}",
            f"({random.randrange(201, 989)}) {random.randrange(200, 989)}-{_digits(random, 4)}",
            f"05{_digits(random, 2)} {_digits(random, 3)} {_digits(random, 2)} {_digits(random, 2)}",
            f"0{_digits(random, 10)}",
        ]
    )


def birth_date(random: Random) -> str:
    return f"{random.randrange(1950, 1990)}-{random.randrange(1, 13):02d}-{random.randrange(1, 29):02d}"


def labelled_birth_date(random: Random) -> str:
    return f"geb. {random.randrange(1, 29):02d}.{random.randrange(1, 13):02d}.{random.randrange(1940, 1999)}"


def last_first(random: Random) -> str:
    return f"{random.choice(_SURNAMES)}, {random.choice(_GIVEN)}"


def titled(random: Random) -> str:
    return f"{random.choice(['Dr.', 'Mr', 'Mrs.', 'Frau', 'Mme', 'Sra.', 'Prof.', 'Pani'])} {random.choice(_SURNAMES)}"


def picture(random: Random) -> str:
    return random.choice([f"IMG_{_digits(random, 4)}.JPG", f"{random.choice(_SURNAMES).lower()}-front.png"])


def address(random: Random) -> str:
    number = random.randrange(1, 99)
    return random.choice(
        [f"{number} {random.choice(_STREETS)} Street", f"{random.choice(_STREETS)}weg {number}", f"SW{number} 4AB"]
    )


def chart_number(random: Random) -> str:
    return f"MRN {_digits(random, 6)}"


def sentence(random: Random) -> str:
    return f"called {random.choice(_SURNAMES)} back about the {_digits(random, 4)} grafts that were agreed upon"


MAKERS: dict[str, Callable[[Random], str]] = {
    maker.__name__: maker
    for maker in (
        email, web, ipv4, ipv6, phone_abroad, phone_at_home, card, iban, nhs, steuer_id, nir, dni, nie, codice_fiscale,
        bsn, tckn, pesel, ssn, personnummer, cpf, aadhaar, birth_date, labelled_birth_date, last_first, titled, picture,
        address, chart_number, sentence,
    )
}  # fmt: skip
