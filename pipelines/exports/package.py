"""What makes files a Data Package: descriptor, dictionary, citation, terms, checksums, and how to begin."""

from __future__ import annotations

import csv
import html
import io
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

from registry.definition import RECORD_TYPES, Kind
from registry.store import Registry
from registry.version import program_version

from ..cohorts import FlowStep, StoredCohort
from .columns import WITHHELD, Column, Level, Type
from .disclosure import Disclosure, disclosure_markdown
from .names import sas_names, stata_names
from .tables import Table

STARTERS = ("starter.R", "starter.py", "starter.do")
"""Kept here with `.txt` after the name, so that nothing takes them for modules of this program."""
FLOW_PICTURE = "flow.svg"
"""Who was left out at each step, as a picture."""
MEDIA = {
    "csv": "text/csv",
    "parquet": "application/vnd.apache.parquet",
    "dta": "application/x-stata-dta",
    "sav": "application/x-spss-sav",
    "xpt": "application/x-sas-xport",
}
MISSING = (
    "An empty value was not recorded or not asked, never no. `unknown` was asked, and is not known: in Stata .u, in "
    "SPSS -1 (user-missing), elsewhere the code itself. `withheld` (level anonymous) was recorded, but too few "
    "patients share the answer: in Stata .w, in SPSS -2. Yes and no are 1 and 0."
)
_TERMS = """# Terms

To be filled in by the data controller before this export is passed on:

- who may use it, and for which purpose;
- until when it may be kept, and how it is destroyed;
- that nobody tries to recognise a patient, or joins it with data that could;
- that results are published in groups, none of them small;
- whom to tell when something goes wrong.

Until then nobody has leave to use it.
"""


_NAMED = {f.name for record in RECORD_TYPES for f in record.fields if f.kind in (Kind.SITE, Kind.SURGEON)}


def descriptor(
    cohort: StoredCohort,
    pictures: Collection[str],
    level: Level,
    registry: Registry,
    tables: Sequence[Table],
    folder: Path,
    hashes: Mapping[str, str],
) -> dict[str, Any]:
    """The content of datapackage.json (Data Package and Table Schema, version 1). The files must be there already.

    hashes: SHA-256 of each file by its path in the folder.
    """
    names = {table.name: table for table in tables}
    resources = [
        {
            "name": table.name,
            "profile": "tabular-data-resource",
            "title": table.label,
            "description": table.meaning,
            **_file(folder, f"data/{table.name}.csv", hashes),
            "encoding": "utf-8",
            "schema": _schema(table, names),
            # the specification knows one file a table; these hold the same rows
            "otherFormats": [
                _file(folder, f"data/{path.name}", hashes)
                for path in sorted(folder.glob(f"data/{table.name}.*"))
                if path.suffix != ".csv"
            ],
        }
        for table in tables
    ]
    return {
        "profile": "data-package",
        "name": cohort.name,
        "title": f"Cohort {cohort.name}",
        "version": f"{cohort.version}",
        "description": f"Level {level}. Snapshot {registry.snapshot}, by graftledger {program_version()}. "
        f"{_pictured(pictures)}{MISSING}",
        "licenses": [{"name": "other-closed", "title": "See TERMS.md", "path": "TERMS.md"}],
        "resources": resources,
    }


def _pictured(pictures: Collection[str]) -> str:
    return "".join(f"How many patients were left out at each step is drawn in `{name}`. " for name in pictures)


def _file(folder: Path, path: str, hashes: Mapping[str, str]) -> dict[str, Any]:
    ending = path.rpartition(".")[2]
    size = (folder / path).stat().st_size
    return {"path": path, "format": ending, "mediatype": MEDIA[ending], "bytes": size, "hash": f"sha256:{hashes[path]}"}


def _schema(table: Table, tables: Mapping[str, Table]) -> dict[str, Any]:
    keys = [
        {"fields": [c.name], "reference": {"resource": c.refers_to, "fields": list(tables[c.refers_to].key)}}
        for c in table.columns
        if c.refers_to and c.refers_to in tables and c.refers_to != table.name
    ]
    return {
        "fields": [_field(column) for column in table.columns],
        "primaryKey": list(table.key),
        "missingValues": [""],
        **({"foreignKeys": keys} if keys else {}),
    }


def _field(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {"required": True} if column.required else {}
    if column.type is Type.CODE:
        constraints["enum"] = [code.name for code in column.codes]
    constraints |= {
        name: bound for name, bound in (("minimum", column.low), ("maximum", column.high)) if bound is not None
    }
    field: dict[str, Any] = {
        "name": column.name,
        "type": "string" if column.type is Type.CODE else column.type.value,
        "title": column.label,
        "description": column.meaning + (f" Unit: {column.unit}." if column.unit else ""),
    }
    if column.type is Type.YES_NO:
        field |= {"trueValues": ["1"], "falseValues": ["0"]}
    return field | ({"constraints": constraints} if constraints else {})


def dictionary_rows(column: Column) -> tuple[str, str, str]:
    """Type, allowed and meaning of a column, in words."""
    allowed = "; ".join(f"{code.name}: {code.meaning}" for code in column.codes)
    if column.low is not None and column.high is not None:
        allowed = f"{column.low:g} to {column.high:g}" + (f" {column.unit}" if column.unit else "")
    if column.type is Type.YES_NO:
        allowed = "1 yes, 0 no"
    kind = {Type.TEXT: "text", Type.CODE: "code", Type.YES_NO: "yes/no"}.get(column.type, column.type.value)
    return kind, allowed, column.meaning


def dictionary_markdown(cohort: StoredCohort, level: Level, tables: Sequence[Table]) -> str:
    """The data dictionary as Markdown."""
    lines = [f"# Data dictionary of the cohort {cohort.name}, level {level}", "", MISSING, ""]
    for table in tables:
        lines += [f"## {table.name}", "", f"{table.meaning} Key: {', '.join(f'`{name}`' for name in table.key)}.", ""]
        lines += ["| column | type | allowed | label | meaning |", "|---|---|---|---|---|"]
        for column in table.columns:
            kind, allowed, meaning = dictionary_rows(column)
            cells = (f"`{column.name}`", kind, allowed, column.label, meaning)
            lines.append(f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |")
        lines.append("")
    return "\n".join(lines)


_HEAD = "".join(f'<th scope="col">{head}</th>' for head in ("column", "type", "allowed", "label", "meaning"))


def dictionary_html(cohort: StoredCohort, level: Level, tables: Sequence[Table]) -> str:
    """The data dictionary as one page that needs nothing else."""
    title = html.escape(f"Data dictionary of the cohort {cohort.name}, level {level}")
    links = " · ".join(f'<a href="#{table.name}">{table.name}</a>' for table in tables)
    parts = []
    for table in tables:
        rows = "".join(
            "<tr>"
            + f'<th scope="row"><code>{_breakable(column.name)}</code></th>'
            + "".join(f"<td>{html.escape(cell)}</td>" for cell in (*dictionary_rows(column)[:2], column.label))
            + f"<td>{html.escape(column.meaning)}</td></tr>"
            for column in table.columns
        )
        parts.append(
            f'<h2 id="{table.name}">{table.name}</h2><p>{html.escape(table.meaning)} Key: '
            f"{', '.join(f'<code>{name}</code>' for name in table.key)}.</p><table><thead><tr>"
            f"{_HEAD}</tr></thead>"
            f"<tbody>{rows}</tbody></table>"
        )
    style = (files("pipelines.exports") / "starters" / "dictionary.css").read_text(encoding="utf-8")
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{style}</style></head><body><main>'
        f"<h1>{title}</h1><p>{html.escape(MISSING.replace('`', ''))}</p><nav>{links}</nav>"
        f"{''.join(parts)}</main></body></html>\n"
    )


def _breakable(name: str) -> str:
    """A name that a line may end within, at its underscores."""
    return html.escape(name).replace("_", "_<wbr>")


def names_csv(tables: Sequence[Table]) -> str:
    """The shorter names in Stata and SAS files, by table and column."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["table", "column", "stata_name", "sas_dataset", "sas_name"])
    for table in tables:
        names = [column.name for column in table.columns]
        stata, sas = stata_names(names), sas_names(names)
        writer.writerows([table.name, name, stata[name], table.sas_name, sas[name]] for name in names)
    return text.getvalue()


def citation(cohort: StoredCohort, level: Level, registry: Registry) -> str:
    """CITATION.cff, version 1.2.0."""
    practice = json.dumps(registry.settings.practice, ensure_ascii=False)  # a JSON string is a YAML string too
    released = f"date-released: {registry.data_date}\n" if registry.data_date else ""
    return (
        'cff-version: 1.2.0\nmessage: "If you use these data, please cite them as below."\ntype: dataset\n'
        f'title: "Cohort {cohort.name} of a registry of hair-restoration surgery"\nauthors:\n  - name: {practice}\n'
        f'version: "{cohort.version}, level {level}, snapshot {registry.snapshot}"\n{released}'
    )


def written_texts(
    cohort: StoredCohort,
    flow: Sequence[FlowStep],
    pictures: Mapping[str, str],
    level: Level,
    registry: Registry,
    tables: Mapping[Table, int],
    report: Disclosure,
) -> dict[str, str]:
    """Every text file of the package but the descriptor and the checksums, by name. tables: with their rows."""
    definition = {
        "name": cohort.name,
        "version": cohort.version,
        "level": level.value,
        "snapshot": registry.snapshot,
        "data_date": registry.data_date and registry.data_date.isoformat(),
        "graftledger": program_version(),
        "patients": next(n for table, n in tables.items() if table.name == "patients"),
        "definition": _definition(cohort, level),
        **({"flow": [asdict(step) for step in flow]} if flow else {}),
    }
    kept = files("pipelines.exports") / "starters"
    starters = {name: (kept / f"{name}.txt").read_text(encoding="utf-8") for name in STARTERS}
    return {
        **pictures,
        "README.md": _readme(cohort, pictures, level, tables),
        "TERMS.md": _TERMS,
        "CITATION.cff": citation(cohort, level, registry),
        "cohort.json": json.dumps(definition, indent=2, ensure_ascii=False) + "\n",
        "dictionary.md": dictionary_markdown(cohort, level, tuple(tables)),
        "dictionary.html": dictionary_html(cohort, level, tuple(tables)),
        "names.csv": names_csv(tuple(tables)),
        "disclosure.json": json.dumps(report.as_dict(), indent=2) + "\n",
        "disclosure.md": disclosure_markdown(report),
        **starters,
    }


def _definition(cohort: StoredCohort, level: Level) -> dict[str, Any]:
    """The definition; where neither sites nor people may be named, the codes in its conditions are withheld."""
    told = cohort.definition.as_dict()
    if level is Level.ANONYMOUS:
        for part in ("where", "exclude"):
            told[part] = {name: [WITHHELD.name] if name in _NAMED else values for name, values in told[part].items()}
    return told


def _readme(cohort: StoredCohort, pictures: Collection[str], level: Level, tables: Mapping[Table, int]) -> str:
    lines = [
        f"# Cohort {cohort.name}, level {level}",
        "",
        "Read TERMS.md first. What each column means: dictionary.html or dictionary.md. Who is in it: cohort.json. "
        f"{_pictured(pictures)}"
        "What was changed for safety, and what risk is left: disclosure.md. To begin: starter.R, starter.py or "
        "starter.do. To check the files: `sha256sum -c SHA256SUMS`.",
        "",
        "These are past patients of one practice. Groups were not drawn by lot; a difference is no effect.",
        "",
        MISSING,
        "",
        "| table | rows | what |",
        "|---|--:|---|",
        *(f"| {table.name} | {n:,} | {table.meaning} |" for table, n in tables.items()),
        "",
    ]
    return "\n".join(lines)


def file_hash(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        digest = sha256()
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()
