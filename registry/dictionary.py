"""The data dictionary, derived from the definition."""

from __future__ import annotations

from .definition import RECORD_TYPES, ROW_CHECKS, Field, Kind, RecordType


def dictionary_markdown() -> str:
    """The data dictionary as one Markdown page."""
    parts = [
        "# Data dictionary",
        "",
        "Made from the one definition of the records by `graftledger dictionary`; do not edit it by hand.",
        "",
        "Dates are written YYYY-MM-DD. An empty field means not known or not assessed, never no. `*` marks a "
        "required field. There is no free text anywhere; a column that is not listed here stops a file.",
        "",
    ]
    for record in RECORD_TYPES:
        parts += _record(record)
    parts += [
        "## Checks of every record",
        "",
        "Besides the rules above, a row is held back (or warned of, where it says so) for:",
        "",
        "| rule | meaning |",
        "|---|---|",
        *(f"| `{name}` | {_cell(meaning)} |" for name, meaning in ROW_CHECKS.items()),
        "",
    ]
    return "\n".join(parts)


def _record(record: RecordType) -> list[str]:
    parent = f" Each row refers to a {record.parent}." if record.parent else ""
    lines = [
        f"## {record.name}",
        "",
        f"{record.meaning} Key: {', '.join(f'`{name}`' for name in record.key)}.{parent}",
        "",
        "| field | kind | allowed | meaning |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| `{field.name}`{'*' if field.required else ''} | {field.kind} | {_cell(_allowed(field))} | "
        f"{_cell(field.meaning)} |"
        for field in record.fields
    ]
    coded = [field for field in record.fields if field.codes is not None]
    if coded:
        lines += ["", "Codes:", ""]
        for field in coded:
            assert field.codes is not None
            answers = "; ".join(f"`{code.name}` {_cell(code.meaning)}" for code in field.codes.codes)
            lines.append(f"- `{field.name}`: {answers}.")
    if record.rules:
        lines += ["", "| rule | reads | a row that breaks it | reason |", "|---|---|---|---|"]
        lines += [
            f"| `{rule.name}` | {', '.join(f'`{name}`' for name in rule.fields)} | {rule.severity} | "
            f"{_cell(rule.reason)} |"
            for rule in record.rules
        ]
    return [*lines, ""]


def _allowed(field: Field) -> str:
    if field.kind in (Kind.CODE, Kind.CODE_SET):
        return "see codes below"
    unlikely = [
        f"{words} {bound:g}"
        for words, bound in (("below", field.warn_low), ("above", field.warn_high))
        if bound is not None
    ]
    return field.allowed + (f"; unlikely {' or '.join(unlikely)}" if unlikely else "")


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
