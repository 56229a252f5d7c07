"""A proposal as the text of a mapping: what is not decided first, then a source for each sheet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from registry import Settings
from registry.definition import Field, Kind, RecordType

from .._toml import TODO
from .columns import Column, empty_texts
from .entries import CHECKS, Entry, Surroundings, column_entry, toml_key, toml_list, toml_table, toml_text
from .labels import time_of_label
from .plan import RecordPlan, SheetPlan, code_of_yes_column

_HEAD = """\
# Mapping of a site's files to the records of the registry. See docs/getting_records_in.md.
# Proposed by graftledger mapping start: read it through, then try it with graftledger mapping check.
"""
_LATEST = frozenset({"last_contact_on", "last_contact_reason", "died_on", "status_at_last_contact"})
"""Fields of a patient of which the latest answer counts."""
_FEWEST_FIELDS = 3
"""A sheet with fewer columns that fit a record is probably none."""
_DEFAULT_PARTS: dict[str, tuple[str, ...]] = {
    "visit": ("visited_on",),
    "complication": ("kind",),
    "graft_count": ("area_label", "counted_on"),
    "session": ("performed_on",),
}


def mapping_text(plans: Sequence[SheetPlan], site: str, settings: Settings | None, withheld: Sequence[str] = ()) -> str:
    """The text of a mapping.

    withheld: lines about columns that may identify somebody, to stand among what is not decided.
    """
    sources = [_source_lines(plan, plans, settings) for plan in plans]
    named, sources_text = _with_named_codes(sources)
    body = "\n".join([*named, *sources_text])
    todo = [f"#   {line}" for line in withheld]
    for plan in plans:
        todo += [
            f"#   {plan.sheet.label}: column {name}" + (f" (perhaps {', '.join(near)})" if near else "")
            for name, near in plan.undecided.items()
        ]
    todo = ["".join(sign if sign.isprintable() else "?" for sign in line) for line in todo]
    marked = sum(f'"{TODO}' in line for line in body.splitlines())
    if marked:
        todo.append(f"#   {marked} {'line below is' if marked == 1 else 'lines below are'} marked {TODO}")
    about = [f"# {TODO}, before it can be used:", *todo, ""] if todo else ["# Nothing is left to decide. Check it.", ""]
    code = site or f"{TODO}: the code of the site"
    return "\n".join([_HEAD, *about, f"site = {toml_text(code)}", "", body]).rstrip() + "\n"


Line = str | tuple[str, Entry]
"""A line as it stands, or a key and its entry."""


def _source_lines(plan: SheetPlan, plans: Sequence[SheetPlan], settings: Settings | None) -> list[Line]:
    sheet = plan.sheet
    columns = [column for record in plan.records for column in record.fields.values()]
    date_form = _common_form(columns)
    comma = any(column.has_decimal_comma for column in columns)
    file_name = sheet.file_name.rsplit("/", 1)[-1]
    lines: list[Line] = ["[[source]]", f"file = {toml_text(_pattern(file_name))}"]
    if sheet.sheet is not None:
        lines.append(f"sheet = {toml_text(_pattern(sheet.sheet))}")
    if date_form is not None:
        lines.append(f"date_format = {toml_text(date_form)}")
    if comma:
        lines.append('decimal = ","')
    if empty := empty_texts([sheet.frame[name] for name in sheet.frame.columns]):
        lines.append(f"empty = {toml_list(sorted(empty))}")
    if plan.empty:
        lines.append(f"drop = {toml_list(plan.empty)}  # these columns hold nothing")
    else:
        lines.append("drop = []")
    if plan.undecided:
        lines.append("# map each of these to a field, or move it to drop:")
        lines.append(f"undecided = {toml_list(list(plan.undecided))}")
    if sum(len(record.fields) for record in plan.records) < _FEWEST_FIELDS:
        return [*lines, f'ignore = "{TODO}: true to leave the sheet out, or map it to a record"', ""]
    for record in plan.records:
        around = Surroundings(date_form, comma, _session_date(record, plan, plans), sheet.has_number_cells, settings)
        lines += ["", *_record_lines(record, plan, around)]
    return [*lines, ""]


def _pattern(name: str) -> str:
    """A name as a pattern that fits it alone."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in name)


def _common_form(columns: Sequence[Column]) -> str | None:
    """The form in which most of the dates that are written in one form alone are written."""
    sure = [column.date_forms[0] for column in columns if column.are_dates and len(column.date_forms) == 1]
    counts = Counter(form for form in sure if form != "%Y-%m-%d")
    return counts.most_common(1)[0][0] if counts else None


def _session_date(record: RecordPlan, plan: SheetPlan, plans: Sequence[SheetPlan]) -> str | None:
    """Where the date of the session of a row stands: in a column of the row, or in the session's own record."""
    for other in plan.records:
        if other.record.name == "session" and "performed_on" in other.fields:
            return other.fields["performed_on"].name
    given = any(other.record.name == "session" for one in plans for other in one.records)
    return "session.performed_on" if record.record.parent == "session" and given else None


def _record_lines(plan: RecordPlan, sheet_plan: SheetPlan, around: Surroundings) -> list[Line]:
    record = plan.record
    several = sum(other.record == record for other in sheet_plan.records) > 1
    lines: list[Line] = [f"[[source.{record.name}]]" if several else f"[source.{record.name}]"]
    session = next((other for other in sheet_plan.records if other.record.name == "session"), None)
    if plan.group is not None:
        lines.append(f"repeat = {toml_list(plan.group.labels)}")
    gathers = record.name == "patient" and session is not None and "performed_on" in session.fields
    if gathers and session is not None:
        column = session.fields["performed_on"].name
        lines.append(f"gather_by = {toml_text(column)}  # a patient stands in a row for each session")
    for declared in record.fields:
        if declared.name in plan.fields:
            entry = column_entry(plan.fields[declared.name], record, declared, plan.group, around)
            if gathers and declared.name in _LATEST:
                entry = replace(entry, parts={**entry.parts, "pick": '"last"'})
            lines.append((declared.name, entry))
        elif declared.name in plan.yes_columns:
            lines.append((declared.name, _yes_entry(plan.yes_columns[declared.name], record, declared.name)))
        elif missing := _missing(declared, plan, sheet_plan, session):
            lines.append((declared.name, missing))
    return lines


def _yes_entry(columns: MappingOf[str, Column], record: RecordType, name: str) -> Entry:
    pairs = {column: code_of_yes_column(found, record, name) or TODO for column, found in columns.items()}
    answer = Field("answer", Kind.YES_NO, "Answer", "Whether the code applies.")
    words = next(iter(columns.values())).words
    texts = pl.concat([column.texts for column in columns.values()]).unique(maintain_order=True)
    safe = all(column.may_be_written for column in columns.values())
    merged = Column("", words, words, None, False, texts, 0, 0, safe)
    codes = column_entry(merged, record, answer, None, Surroundings(None, False, None, False, None)).codes
    return Entry({"yes_columns": toml_table(pairs)}, codes)


def _missing(declared: Field, plan: RecordPlan, sheet_plan: SheetPlan, session: RecordPlan | None) -> Entry | None:
    """What to propose for a field without a column: for a required one, how it can be made, or that it is missing."""
    record, name = plan.record, declared.name
    if name == "area_label" and plan.group is not None and plan.group.kind == "letter":
        return Entry({"label": "true"})
    if name == "pattern_scale" and "pattern_stage" in plan.fields:
        words = plan.fields["pattern_stage"].words
        scale = "norwood_hamilton" if "norwood" in words else "ludwig" if "ludwig" in words else f"{TODO}: which"
        return Entry({"value": toml_text(scale)}, comment="a stage needs its scale")
    if not declared.required or name == "site_code":
        return None
    if session is not None and record.name != "session":
        if name == "session_key":
            own = session.fields.get("session_key")
            return Entry({"column": toml_text(own.name)} if own else {"of_row": '"session"'})
        if name == "visited_on" and plan.group is not None and "performed_on" in session.fields:
            return _nominal_dates(plan, session.fields["performed_on"])
        if name == "enrolled_on" and "performed_on" in session.fields:
            column = toml_text(session.fields["performed_on"].name)
            return Entry({"column": column}, comment=f"check: {CHECKS[name]}")
    if name == "session_number":
        return Entry({"count_by": '"performed_on"'}, comment="only if every file holds all sessions of its patients")
    if (name,) == record.key and record.parent_key is not None:
        parts = [record.parent_key, "label"] if plan.group else [record.parent_key, *_DEFAULT_PARTS[record.name]]
        return Entry({"key_of": toml_list(parts)}, comment="these must tell the rows apart")
    if declared.kind is Kind.PSEUDONYM:
        return Entry({"column": toml_text(f"{TODO}: the column with it")}, comment="see graftledger pseudonymise")
    return Entry({"column": toml_text(f"{TODO}: the column with it, or value = {_example(declared)}")})


def _example(declared: Field) -> str:
    return "one of " + ", ".join(declared.codes.names) if declared.codes else declared.allowed


def _nominal_dates(plan: RecordPlan, surgery: Column) -> Entry | None:
    assert plan.group is not None
    times = {label: time_of_label(label) or TODO for label in plan.group.labels}
    return Entry(
        {"column": toml_text(surgery.name), "plus": toml_table(times)},
        comment="planned days: where the real day of the contact is known, use that",
    )


def _with_named_codes(sources: Sequence[Sequence[Line]]) -> tuple[list[str], list[str]]:
    """The lines as text, codes that several entries share written once under a name."""
    counts: Counter[tuple[tuple[str, str], ...]] = Counter()
    first_key: dict[tuple[tuple[str, str], ...], str] = {}
    for lines in sources:
        for line in lines:
            if isinstance(line, tuple) and line[1].codes:
                pairs = tuple(line[1].codes.items())
                counts[pairs] += 1
                first_key.setdefault(pairs, line[0])
    names: dict[tuple[tuple[str, str], ...], str] = {}
    for pairs, count in counts.items():
        if count > 1:
            yes_no = {code for _, code in pairs} <= {"yes", "no"}
            base = "yes_no" if yes_no else first_key[pairs]
            name, number = base, 2
            while name in names.values():
                name, number = f"{base}_{number}", number + 1
            names[pairs] = name
    head: list[str] = []
    for pairs, name in names.items():
        head += [f"[codes.{name}]", *(f"{toml_key(answer)} = {toml_text(code)}" for answer, code in pairs), ""]
    body: list[str] = []
    for lines in sources:
        for line in lines:
            body += _text_of(*line, names) if isinstance(line, tuple) else [line]
    return head, body


def _text_of(key: str, entry: Entry, names: MappingOf[tuple[tuple[str, str], ...], str]) -> list[str]:
    parts = dict(entry.parts)
    comment = f"  # {entry.comment}" if entry.comment else ""
    pairs = tuple(entry.codes.items())
    if pairs in names:
        parts["codes"] = toml_text(names[pairs])
    elif pairs:
        one_line = toml_table(entry.codes)
        if len(one_line) <= 80 and TODO not in one_line:
            parts["codes"] = one_line
        else:
            lines = [f"{key}.{part} = {value}" for part, value in parts.items()]
            lines[0] += comment
            return [*lines, *(f"{key}.codes.{toml_key(answer)} = {toml_text(code)}" for answer, code in pairs)]
    if list(parts) == ["column"] and parts["column"].startswith('"'):
        return [f"{key} = {parts['column']}{comment}"]
    return [f"{key} = {{ {', '.join(f'{part} = {value}' for part, value in parts.items())} }}{comment}"]
