"""What a field is: the declaration from which tables, checks, dictionary and templates derive."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PSEUDONYM_PATTERN = r"^[A-Za-z0-9_-]{16,64}$"
DATE_PATTERN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
INTEGER_PATTERN = r"^-?[0-9]{1,9}$"
NUMBER_PATTERN = r"^-?(?:[0-9]{1,9}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})$"
QUARTER_PATTERN = r"^[0-9]{4}-Q[1-4]$"
AREA_LABEL_PATTERN = r"^[A-Z]$"
SETTINGS_CODE_PATTERN = r"^[A-Za-z][A-Za-z0-9_-]{0,23}$"
SET_SEPARATOR = ";"
EARLIEST_DATE = "1950-01-01"


class Kind(StrEnum):
    """What a field holds. Text that fits nothing here has no place in the registry."""

    PSEUDONYM = "pseudonym"
    CODE = "code"
    CODE_SET = "set of codes"
    YES_NO = "yes/no"
    DATE = "date"
    INTEGER = "integer"
    NUMBER = "number"
    QUARTER = "quarter"
    AREA_LABEL = "letter"
    SITE = "site code"
    SURGEON = "surgeon code"


@dataclass(frozen=True)
class Code:
    """One allowed answer and what it means."""

    name: str
    meaning: str


@dataclass(frozen=True)
class CodeList:
    """The closed list of answers to one question."""

    name: str
    codes: tuple[Code, ...]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(code.name for code in self.codes)


def code_list(name: str, /, **meanings: str) -> CodeList:
    """A code list in the order written: `code_list("sex", female="Female", ...)`."""
    return CodeList(name, tuple(Code(code, meaning) for code, meaning in meanings.items()))


@dataclass(frozen=True)
class Field:
    """One field of one record type.

    name: column name, lower snake case, unit included where it has one.
    kind: what it holds.
    label: short words for a heading.
    meaning: a sentence for the dictionary.
    required: a row without it is held back.
    codes: for CODE and CODE_SET.
    low, high: inclusive range for numbers; outside it a row is held back.
    warn_low, warn_high: inclusive range outside which a value is kept but unlikely.
    unit: printed unit, such as "micrometres".
    refers_to: record type whose key this field repeats.
    also_allowed: for SITE and SURGEON: codes allowed besides those of the settings.
    """

    name: str
    kind: Kind
    label: str
    meaning: str
    required: bool = False
    codes: CodeList | None = None
    low: float | None = None
    high: float | None = None
    warn_low: float | None = None
    warn_high: float | None = None
    unit: str | None = None
    refers_to: str | None = None
    also_allowed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if (self.kind in (Kind.CODE, Kind.CODE_SET)) != (self.codes is not None):
            raise ValueError(f"{self.name}: codes go with CODE and CODE_SET, and only with them")
        if self.kind in (Kind.INTEGER, Kind.NUMBER) and (self.low is None or self.high is None):
            raise ValueError(f"{self.name}: a number needs its range")

    @property
    def pattern(self) -> str | None:
        """Anchored regular expression that the text of a value must match, where the kind has one."""
        match self.kind:
            case Kind.CODE_SET:
                assert self.codes is not None
                one = "|".join(self.codes.names)
                return f"^(?:{one})(?:{SET_SEPARATOR}(?:{one}))*$"
            case Kind.PSEUDONYM:
                return PSEUDONYM_PATTERN
            case Kind.DATE:
                return DATE_PATTERN
            case Kind.INTEGER:
                return INTEGER_PATTERN
            case Kind.NUMBER:
                return NUMBER_PATTERN
            case Kind.QUARTER:
                return QUARTER_PATTERN
            case Kind.AREA_LABEL:
                return AREA_LABEL_PATTERN
            case _:
                return None

    @property
    def allowed(self) -> str:
        """What may stand in the field, in words."""
        match self.kind:
            case Kind.CODE:
                assert self.codes is not None
                return ", ".join(self.codes.names)
            case Kind.CODE_SET:
                assert self.codes is not None
                return f"any of: {', '.join(self.codes.names)}; joined by '{SET_SEPARATOR}'"
            case Kind.YES_NO:
                return "yes, no"
            case Kind.PSEUDONYM:
                return "16 to 64 characters of A-Z a-z 0-9 - _"
            case Kind.DATE:
                return "a date written YYYY-MM-DD"
            case Kind.INTEGER | Kind.NUMBER:
                unit = f" {self.unit}" if self.unit else ""
                whole = "a whole number from " if self.kind is Kind.INTEGER else ""
                return f"{whole}{self.low:g} to {self.high:g}{unit}"
            case Kind.QUARTER:
                return "a quarter written YYYY-Qn"
            case Kind.AREA_LABEL:
                return "one letter, A to Z"
            case Kind.SITE | Kind.SURGEON:
                return " or ".join((f"a {self.kind} listed in the settings", *self.also_allowed))

    @property
    def sql_type(self) -> str:
        """The DuckDB column type."""
        match self.kind:
            case Kind.YES_NO:
                return "boolean"
            case Kind.DATE:
                return "date"
            case Kind.INTEGER:
                return "integer"
            case Kind.NUMBER:
                return "double"
            case Kind.CODE_SET:
                return "varchar[]"
            case _:
                return "varchar"


class Severity(StrEnum):
    """What a broken rule does to a row."""

    HOLD = "held back"
    WARN = "warning"


@dataclass(frozen=True)
class Rule:
    """A condition across fields, or between a row and the row it belongs to.

    name: stable, lower snake case; counted in every intake report.
    record: record type whose rows it judges.
    fields: fields of that record type that it reads; the first is the one named to the user.
    holds: SQL predicate that is true where the row is sound, false where it is not and null where it cannot
        be judged (a field is empty). It may name the row's own fields, `parent.<field>` for the record it
        refers to, and the parameter `$today` (date of intake). A rule that names `parent.` is judged only
        where the parent is known.
    reason: what is wrong, in plain words.
    mend: what the site should do.
    across_siblings: the predicate uses window functions over the rows of one parent, partitioned by the field that
        refers to it; the registry's rows are judged together with the new ones, so that a new row meets those it
        must agree with. Where two rows disagree, the predicate must be false for both.
    """

    name: str
    record: str
    fields: tuple[str, ...]
    holds: str
    reason: str
    mend: str
    severity: Severity = Severity.HOLD
    across_siblings: bool = False


@dataclass(frozen=True)
class RecordType:
    """One kind of record: one file in, one table in the registry.

    key: fields that together name a row.
    parent: record type that must hold the row's reference, with the referring field.
    """

    name: str
    plural: str
    meaning: str
    key: tuple[str, ...]
    fields: tuple[Field, ...]
    parent: str | None = None
    rules: tuple[Rule, ...] = ()

    @property
    def field_names(self) -> tuple[str, ...]:
        return tuple(field.name for field in self.fields)

    @property
    def required_names(self) -> tuple[str, ...]:
        return tuple(field.name for field in self.fields if field.required)

    @property
    def parent_key(self) -> str | None:
        """The field that repeats the parent's key."""
        return next((f.name for f in self.fields if f.refers_to and f.refers_to == self.parent), None)

    def field(self, name: str) -> Field:
        for candidate in self.fields:
            if candidate.name == name:
                return candidate
        raise KeyError(name)
