"""Commands that a site runs before it sends records: pseudonyms in place of chart numbers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import Fault, GraftledgerError

from ._app import command, note, say

if TYPE_CHECKING:
    from pipelines.sources import SourceSheet


@command("pseudonymise")
def pseudonymise(
    file: Annotated[Path | None, typer.Argument(metavar="FILE", help="The site's table: CSV, XLSX or Parquet.")] = None,
    key_file: Annotated[Path | None, typer.Option(metavar="FILE", help="The practice's secret key.")] = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="CSV to write; never overwritten.")] = None,
    make_key: Annotated[Path | None, typer.Option(metavar="FILE", help="Only make a new secret key.")] = None,
    patient_column: Annotated[
        str | None, typer.Option(metavar="COLUMN", help="Holds the chart number; patient_key if left out.")
    ] = None,
    key: Annotated[
        list[str] | None,
        typer.Option(metavar="FIELD=COLUMN+COLUMN", help="Another key and the columns that make it. Repeatable."),
    ] = None,
    date_format: Annotated[
        list[str] | None, typer.Option(metavar="FORMAT", help="How dates are written, such as %d.%m.%Y. Repeatable.")
    ] = None,
    shift_dates: Annotated[
        bool, typer.Option("--shift-dates", help="Move all dates of a patient into the past, by 1 to 364 secret days.")
    ] = False,
    birth_date: Annotated[
        str | None, typer.Option(metavar="COLUMN", help="Date of birth; becomes the age at first surgery.")
    ] = None,
    first_surgery: Annotated[str, typer.Option(metavar="COLUMN", help="Date of first surgery.")] = "first_surgery_on",
    age: Annotated[list[str] | None, typer.Option(metavar="COLUMN", help="Ages; 90 and over become 90.")] = None,
    drop: Annotated[list[str] | None, typer.Option(metavar="COLUMN", help="Take a column out. Repeatable.")] = None,
    keep: Annotated[
        list[str] | None, typer.Option(metavar="COLUMN", help="Leave in a column that makes a key. Repeatable.")
    ] = None,
    as_type: Annotated[
        str | None, typer.Option("--as", metavar="RECORD", help="Record type, where the columns are its fields.")
    ] = None,
    sheet: Annotated[str | None, typer.Option(metavar="NAME", help="Sheet of a workbook.")] = None,
    encoding: Annotated[
        str | None, typer.Option(metavar="NAME", help="Encoding of a text file, such as cp1252.")
    ] = None,
    link_table: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also write which key is which chart number, encrypted.")
    ] = None,
    passphrase_file: Annotated[Path | None, typer.Option(metavar="FILE", help="Passphrase of the link table.")] = None,
) -> None:
    """Replace chart numbers by pseudonyms and dates of birth by ages, at the site, before records are sent.

    The same chart number gets the same key in every file, at any time and at every site that uses the same secret
    key. Keep that key at the practice, and safe: whoever has it can tell which key belongs to a chart number.
    """
    if make_key is not None:
        _make_key(make_key)
        return
    if file is None or key_file is None or out is None:
        raise GraftledgerError("Name the table, the key and the file to write: FILE --key-file FILE --out FILE.")
    if (link_table is None) != (passphrase_file is None):
        raise GraftledgerError("A link table is written encrypted: give both --link-table and --passphrase-file.")
    from pipelines.pseudonyms import (
        Plan,
        check_new,
        pseudonymise_table,
        read_key_file,
        read_passphrase,
        write_pseudonymised,
    )
    from pipelines.sources import known_encoding, read_source
    from registry import record_type

    keys = dict(_key_option(text) for text in key or [])
    plan = Plan(
        patient_column=patient_column or (None if keys else "patient_key"),
        keys=keys,
        date_forms=tuple(date_format or ()),
        shift_dates=shift_dates,
        birth_column=birth_date,
        surgery_column=first_surgery,
        age_columns=("age_at_first_surgery_years", *(age or ())),
        drop=tuple(drop or ()),
        keep=tuple(keep or ()),
        record=record_type(as_type) if as_type else None,
    )
    for target in (out, link_table):
        if target is not None:
            check_new(target)
    secret = read_key_file(key_file)
    passphrase = None if passphrase_file is None else read_passphrase(passphrase_file)
    sheets = read_source(file, encoding=known_encoding(encoding) if encoding else None)
    source = _sheet(sheets, sheet, file.name)
    done = pseudonymise_table(source.frame, source.row_numbers, plan, secret, file.name)
    write_pseudonymised(done, out, link_table, passphrase)
    say(f"{done.frame.height:,} rows are in {out}.")
    for name, count in done.key_counts.items():
        say(f"{name}: {count:,} different keys.")
    if shift_dates:
        say(f"Dates were moved in {len(done.shifted)} columns. Move them in every file of these patients, or in none.")
    note(f"The key used has the fingerprint {secret.fingerprint}; it must be the same at all sites of the practice.")


@command("read-link-table")
def read_links(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Made by graftledger pseudonymise --link-table.")],
    passphrase_file: Annotated[Path, typer.Option(metavar="FILE", help="The passphrase it was made with.")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="CSV to write; never overwritten.")],
) -> None:
    """Decrypt a link table into a file that only you may read. It names patients: delete it after use."""
    from pipelines.pseudonyms import check_new, read_link_table, read_passphrase, write_private

    check_new(out)
    links = read_link_table(file, read_passphrase(passphrase_file))
    write_private(out, links.write_csv)
    say(f"{links.height:,} patients are in {out}.")


def _make_key(path: Path) -> None:
    from pipelines.pseudonyms import make_key_file

    made = make_key_file(path)
    say(f"A new secret key is in {path}; its fingerprint is {made.fingerprint}.")
    note(
        "Keep it at the practice and keep a copy in a safe place: without it no later record finds its patient. Use\n"
        "the same key at all sites. Never send it with the records."
    )


def _key_option(text: str) -> tuple[str, tuple[str, ...]]:
    name, sign, columns = text.partition("=")
    parts = tuple(part.strip() for part in columns.split("+"))
    if not sign or not all(parts):
        raise GraftledgerError("A key is written FIELD=COLUMN+COLUMN, such as session_key=Chart+Surgery.")
    return name.strip(), parts


def _sheet(sheets: list[SourceSheet], name: str | None, label: str) -> SourceSheet:
    chosen = [sheet for sheet in sheets if name is None or sheet.sheet == name]
    if len(chosen) != 1:
        what = "there is no sheet of this name." if name else f"the workbook has {len(sheets)} sheets."
        raise GraftledgerError(Fault(what, label, mend="Name one of its sheets: --sheet NAME."))
    return chosen[0]
