"""From the rows of a cohort to rows that may travel as far as a level says, with a report of what was changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from registry.errors import GraftledgerError

from .columns import Column, Level, Type
from .k_anonymity import Risk, reach_anonymity, risk_of
from .masking import mask
from .quasi_identifiers import SENSITIVE, QuasiIdentifier, quasi_identifiers
from .tables import Table

if TYPE_CHECKING:
    import polars as pl

DEFAULT_K = 11
"""Patients who must share what somebody outside may know: groups of at most 10 count as small. Common practice."""
KNOWN_OUTSIDE = ("sex", "age", "index_year", "indication", "pattern", "hair_colour", "sessions_here")
_RECODED = (
    Column("age_band", Type.TEXT, "Age at first surgery", "Completed years, in bands.", "", source="age"),
    Column("index_years", Type.TEXT, "Years of the index session", "Calendar years, in spans.", "", source="index_on"),
    Column("pattern_stage", Type.TEXT, "Pattern", "Scale and stage before the first surgery.", "", source="pattern"),
)
_RAW = ("age_at_first_surgery_years", "pattern_scale", "pattern_stage")


@dataclass(frozen=True)
class Disclosure:
    """What was done to reach a level, and what risk is left.

    left_out: patients left out. forms: how each quasi-identifier is shown. changes: by table and column.
    before, after: patients by how many share their quasi-identifiers, as recorded and as shown.
    """

    level: Level
    k: int
    left_out: int
    forms: Mapping[str, str]
    changes: Mapping[str, Mapping[str, str]]
    before: Risk
    after: Risk

    def as_dict(self) -> dict[str, Any]:
        """As JSON can hold it; a small number of patients left out is not told at the anonymous level."""
        few = self.level is Level.ANONYMOUS and 0 < self.left_out < self.k
        hidden = {"before": None} if self.level is Level.ANONYMOUS else {}
        return asdict(self) | {"left_out": f"fewer than {self.k}" if few else self.left_out} | hidden


Read = Callable[[Table], "pl.LazyFrame"]
Write = Callable[[Table, "pl.LazyFrame"], None]


def as_it_is(
    level: Level, tables: Sequence[Table], read: Read, write: Write, people: pl.DataFrame, k: int
) -> Disclosure:
    """Write every row as it is, but for the keys, one table after the other; the report of such a level."""
    for table in tables:
        write(table, read(table))
    risk = risk_of(_sizes(people, KNOWN_OUTSIDE), k)
    return Disclosure(level, k, 0, dict.fromkeys(KNOWN_OUTSIDE, "as recorded"), {}, risk, risk)


def anonymise(tables: Sequence[Table], read: Read, write: Write, people: pl.DataFrame, k: int) -> Disclosure:
    """Write what may be seen at the level anonymous, one table after the other, so that one alone is in memory.

    read, write: give the rows of a table, and take those to be shown. people: rows of the step `export_quasi`, in the
    order of the table patients.
    Raises: GraftledgerError where the level cannot be reached.
    """
    identifiers = quasi_identifiers(people, k)
    reached = reach_anonymity(people, identifiers, k)
    cap = int(identifiers_by_name(identifiers)["sessions_here"].forms[reached.chosen["sessions_here"]].values.max())  # type: ignore[arg-type]
    patients = _as_shown(tables[0], read(tables[0]).collect(), people, identifiers, reached.chosen).filter(reached.kept)
    masked = mask(_patients(tables[0], patients), patients, k, tuple(q.name for q in identifiers))
    changes = {tables[0].name: dict(masked.changes)}
    visible = [q.name for q in identifiers if q.name in masked.frame.columns]
    after = risk_of(_sizes(masked.frame, visible), k)
    if after.below_k:
        raise GraftledgerError("The level anonymous was not reached: the check at the end found small groups.")
    write(masked.table, masked.frame.lazy())
    shown = patients.select("patient_key")
    sessions: pl.DataFrame | None = None
    for table in tables[1:]:
        frame = read(table).collect()
        match table.name:
            case "sessions":
                frame, some_hidden = _sessions_shown(frame, shown, cap)
                sessions = frame.select("session_key")
            case "gaps":
                frame = _gaps_shown(frame, shown, cap if some_hidden else None, k)
            case _:
                assert sessions is not None
                frame = frame.join(sessions, on="session_key", how="semi", maintain_order="left")
        masked = mask(table, frame, k)
        del frame
        changes[table.name] = dict(masked.changes)
        write(masked.table, masked.frame.lazy())
    return Disclosure(
        Level.ANONYMOUS,
        k,
        people.height - shown.height,
        {q.name: q.forms[reached.chosen[q.name]].words for q in identifiers},
        {name: made for name, made in changes.items() if made},
        risk_of(_sizes(people, KNOWN_OUTSIDE), k),
        after,
    )


def identifiers_by_name(identifiers: Sequence[QuasiIdentifier]) -> dict[str, QuasiIdentifier]:
    """The same by name."""
    return {q.name: q for q in identifiers}


def _as_shown(
    table: Table,
    patients: pl.DataFrame,
    people: pl.DataFrame,
    identifiers: Sequence[QuasiIdentifier],
    chosen: Mapping[str, int],
) -> pl.DataFrame:
    """The patients with their quasi-identifiers in the form chosen; one that is left out has no column."""
    import polars as pl

    if not patients.get_column("patient_key").equals(people.get_column("patient_key")):
        raise ValueError("the two tables of patients are not in one order")
    frame = patients.drop(*_RAW)
    for q in identifiers:
        values = q.forms[chosen[q.name]].values
        if values.null_count() == len(values):
            frame = frame.drop(q.name, strict=False)
        else:
            frame = frame.with_columns(values.alias(q.name))
    order = [column.name for column in _patients(table, frame).columns]
    return frame.select(pl.col(order))


def _patients(table: Table, frame: pl.DataFrame) -> Table:
    """The table of patients as the frame has it."""
    known = {column.name: column for column in table.columns if column.name not in _RAW}
    recoded = {column.name: column for column in _RECODED}
    columns = [column for column in (*known.values(), *recoded.values()) if column.name in frame.columns]
    return replace(table, columns=tuple(columns))


def _sessions_shown(sessions: pl.DataFrame, shown: pl.DataFrame, cap: int) -> tuple[pl.DataFrame, bool]:
    """Sessions here of the patients shown, up to the cap, and whether any is past it."""
    import polars as pl

    own = sessions.join(shown, on="patient_key", how="semi", maintain_order="left")
    inside = own.filter(pl.col("number_here") <= cap)
    return inside, bool((own.get_column("number_here") > cap).any())


def _gaps_shown(gaps: pl.DataFrame, shown: pl.DataFrame, cap: int | None, k: int) -> pl.DataFrame:
    """Gaps of the patients shown, none to a session past the cap.

    Those of patients first operated on elsewhere go too where fewer than k patients have one.
    """
    import polars as pl

    own = gaps.join(shown, on="patient_key", how="semi", maintain_order="left")
    inside = own if cap is None else own.filter(pl.col("gap_number") < cap)
    elsewhere = inside.filter(~pl.col("first_operated_here"))
    few = elsewhere.get_column("patient_key").n_unique() < k
    return inside.filter(pl.col("first_operated_here")) if few else inside


def _sizes(people: pl.DataFrame, names: Sequence[str]) -> list[int]:
    if not names:
        return [people.height]
    return people.group_by(list(names)).len().get_column("len").to_list()


def disclosure_markdown(report: Disclosure) -> str:
    """The report as one page."""
    risk, k = report.after, report.k
    lines = [
        f"# What was changed to reach the level {report.level}, and what risk is left",
        "",
        "For the data controller. It describes this export; it is no legal advice and no proof that nobody can be "
        "recognised.",
        "",
        f"- Patients: {risk.patients:,}; left out to reach the level: {report.as_dict()['left_out']}.",
        f"- What somebody outside may know (quasi-identifiers): {', '.join(report.forms)}.",
        f"- k = {k}: the smallest group of patients alike in all of these has {risk.smallest:,}. Alone in theirs: "
        f"{_share(risk.unique, risk.patients)}; in groups below {k}: {_share(risk.below_k, risk.patients)}.",
    ]
    if report.level is Level.ANONYMOUS:
        lines += [
            f"- l = 2: in no group do all patients share an answer that could harm, of {', '.join(SENSITIVE)}.",
            "- Not quasi-identifiers here: what only the practice knows, such as counts of grafts, findings and days "
            "between visits. They are rounded, and cut where fewer than k patients share them, but their combination "
            "may still be rare. Whoever knows such details of a patient may recognise the rows.",
        ]
    lines += ["", "| patients alike | groups | patients |", "|---|--:|--:|"]
    lines += [f"| {words} | {groups:,} | {patients:,} |" for words, groups, patients in risk.sizes]
    lines += ["", "| quasi-identifier | shown as |", "|---|---|"]
    lines += [f"| `{name}` | {words} |" for name, words in report.forms.items()]
    for table, columns in report.changes.items():
        lines += ["", f"| `{table}` | changed |", "|---|---|"]
        lines += [f"| `{name}` | {words} |" for name, words in columns.items()]
    return "\n".join([*lines, ""])


def _share(part: int, whole: int) -> str:
    return f"{part:,} ({100 * part / whole:.1f} %)" if whole else "0"
