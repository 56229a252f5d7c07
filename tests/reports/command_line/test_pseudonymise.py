"""The commands that a site runs before it sends records, from its table to one that may leave. Expected: by hand."""

from __future__ import annotations

import re
import stat
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner, Result

from reports.command_line import app

TABLE = {
    "MRN": ["0012-A", "0013-B", "0012-a"],
    "Name": ["Krawinkel, Maelle", "Oduyale, Joost", "Krawinkel, Maelle"],
    "Geburtsdatum": ["03.05.1984", "29.02.1920", "03.05.1984"],
    "Erste OP": ["04.06.2012", "28.02.2011", "04.06.2012"],
    "OP-Datum": ["04.06.2012", "11.03.2011", "01.02.2016"],
}
SECRET = [value for name in ("MRN", "Name", "Geburtsdatum") for value in TABLE[name]]
MADE = ("--patient-column", "MRN", "--drop", "Name", "--birth-date", "Geburtsdatum", "--first-surgery", "Erste OP")
GERMAN = ("--date-format", "%d.%m.%Y")


def run(*arguments: str | Path, command: str = "pseudonymise") -> Result:
    return CliRunner().invoke(app, [command, *map(str, arguments)])


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A folder with a table, a key and a passphrase."""
    pl.DataFrame(TABLE).write_csv(tmp_path / "export.csv", separator=";")
    assert run("--make-key", tmp_path / "key").exit_code == 0
    (tmp_path / "passphrase").write_text("harbour willow 37 quarry lantern\n", encoding="utf-8")
    (tmp_path / "passphrase").chmod(0o600)
    return tmp_path


def call(site: Path, *arguments: str | Path, out: str = "out.csv", file: str = "export.csv") -> Result:
    return run(site / file, "--key-file", site / "key", "--out", site / out, *arguments)


def test_a_table_leaves_without_what_identifies(site: Path) -> None:
    done = call(site, *MADE, *GERMAN, "--key", "session_key=MRN+OP-Datum", "--shift-dates")
    assert done.exit_code == 0, done.output
    made = pl.read_csv(site / "out.csv", infer_schema=False)
    assert made.columns == [
        *("patient_key", "session_key", "age_at_first_surgery_years", "Erste OP", "OP-Datum", "dates_shifted")
    ]
    assert made["age_at_first_surgery_years"].to_list() == ["28", "90", "28"]
    assert made["patient_key"].n_unique() == 2
    assert stat.S_IMODE((site / "out.csv").stat().st_mode) == 0o600
    text = (site / "out.csv").read_text(encoding="utf-8")
    assert not [value for value in SECRET if value in text or value in done.output]


def test_a_workbook_gives_the_same_keys(site: Path) -> None:
    pl.DataFrame(TABLE).write_excel(site / "export.xlsx", worksheet="Patienten")
    assert call(site, *MADE, *GERMAN).exit_code == 0
    done = call(site, *MADE, *GERMAN, "--sheet", "Patienten", out="second.csv", file="export.xlsx")
    assert done.exit_code == 0, done.output
    assert (site / "second.csv").read_bytes() == (site / "out.csv").read_bytes()
    missing = call(site, *MADE, "--sheet", "Termine", out="third.csv", file="export.xlsx")
    assert missing.exit_code == 1
    assert "--sheet" in missing.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((*MADE, *GERMAN, "--keep", "MRN", "--key", "visit_key"), "FIELD=COLUMN"),
        (("--patient-column", "MRN", *GERMAN), "a person's name"),
        (MADE, "--date-format"),
        ((*MADE, *GERMAN, "--link-table", "links"), "--passphrase-file"),
        ((*MADE, *GERMAN, "--as", "patients"), "Did you mean patient"),
        ((*MADE, *GERMAN, "--encoding", "latin99"), "encoding"),
        ((), "patient_key"),
    ],
)
def test_refusals_write_nothing_and_say_no_value(site: Path, arguments: tuple[str, ...], words: str) -> None:
    before = sorted(path.name for path in site.iterdir())
    done = call(site, *arguments)
    assert done.exit_code == 1
    assert words in done.output
    assert not [value for value in SECRET if value in done.output]
    assert sorted(path.name for path in site.iterdir()) == before


def test_nothing_is_overwritten(site: Path) -> None:
    assert call(site, *MADE, *GERMAN, out="export.csv").exit_code == 1
    assert call(site, *MADE, *GERMAN, out="key").exit_code == 1
    assert run("--make-key", site / "key").exit_code == 1
    assert call(site, *MADE, *GERMAN).exit_code == 0
    assert call(site, *MADE, *GERMAN).exit_code == 1


def test_a_link_table_is_written_on_request_and_read_back(site: Path) -> None:
    asked = ("--link-table", site / "links", "--passphrase-file", site / "passphrase")
    done = call(site, *MADE, *GERMAN, *asked)
    assert done.exit_code == 0, done.output
    assert b"0012" not in (site / "links").read_bytes()
    read = run(
        site / "links",
        "--passphrase-file",
        site / "passphrase",
        "--out",
        site / "links.csv",
        command="read-link-table",
    )
    assert read.exit_code == 0, read.output
    links = pl.read_csv(site / "links.csv", infer_schema=False)
    keys = pl.read_csv(site / "out.csv", infer_schema=False)["patient_key"]
    assert dict(links.select("chart_number", "patient_key").rows()) == {"0012-a": keys[0], "0013-b": keys[1]}
    assert stat.S_IMODE((site / "links.csv").stat().st_mode) == 0o600


def test_without_a_request_there_is_no_link_table(site: Path) -> None:
    before = {path.name for path in site.iterdir()}
    assert call(site, *MADE, *GERMAN).exit_code == 0
    assert {path.name for path in site.iterdir()} - before == {"out.csv"}


def test_the_key_is_on_no_command_line(site: Path) -> None:
    """Every option that takes a secret takes a file."""
    text = run("--help").output
    assert "--key-file" in text
    assert "--passphrase-file" in text
    assert "--passphrase " not in text
    assert "--secret" not in text
    made = (site / "key").read_text(encoding="ascii").strip()
    assert made not in call(site, *MADE, *GERMAN).output


def test_the_page_names_no_option_that_is_not_there() -> None:
    page = (Path(__file__).parents[3] / "docs" / "de_identification.md").read_text(encoding="utf-8")
    offered = set(re.findall(r"--[a-z][a-z-]+", run("--help").output))
    assert set(re.findall(r"--[a-z][a-z-]+", page)) <= offered
