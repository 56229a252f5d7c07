"""The `mapping` commands, from a site's file to a mapping that can be used. Expected values: by hand."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner, Result

from reports.command_line import app

KEYS = [f"{letter}qxzvbnmwrtplkh{letter}" for letter in "abcdefghj"]


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["mapping", *map(str, arguments)])


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """A site's visits, as text with semicolons."""
    path = tmp_path / "visits.csv"
    pl.DataFrame(
        {
            "Visit ID": KEYS,
            "Surgery ID": list(reversed(KEYS)),
            "Visit date": [f"{20 + at}/03/2024" for at in range(len(KEYS))],
            "Type of contact": ["phone", "office", "phone"] * 3,
            "Scar (cm)": ["0,2", "", "0,15"] * 3,
            "Ward": ["3"] * len(KEYS),
        }
    ).write_csv(path, separator=";")
    return path


def test_a_proposal_is_decided_and_then_checked(tmp_path: Path, export: Path, empty_registry: Path) -> None:
    mapping = tmp_path / "A.toml"
    started = run("start", export, "--site", "A", "--out", mapping, "--registry", empty_registry)
    assert started.exit_code == 0, started.output
    assert f"Proposed in {mapping}." in started.output

    refused = run("check", export, "--mapping", mapping, "--registry", empty_registry)
    assert refused.exit_code == 1
    assert refused.stderr == (
        "A.toml, source 1, undecided: 'Ward' is not decided yet. Map the column to a field, or move it to drop.\n"
    )

    text = mapping.read_text(encoding="utf-8")
    mapping.write_text(
        text.replace("drop = []", 'drop = ["Ward"]').replace('undecided = ["Ward"]', ""), encoding="utf-8"
    )
    checked = run("check", export, "--mapping", mapping, "--registry", empty_registry)
    assert checked.exit_code == 0, checked.output
    assert checked.stdout.splitlines() == [
        "9 visits from visits.csv",
        "In all 9 records, of which 0 have a value that cannot be mapped and would be held back.",
        "Nothing was loaded.",
    ]


def test_a_check_names_what_stands_in_the_way(tmp_path: Path, export: Path) -> None:
    mapping = tmp_path / "A.toml"
    mapping.write_text(
        """
        site = "A"
        date_format = "%m/%d/%Y"
        decimal = ","
        [[source]]
        drop = ["Ward"]
        [source.visit]
        visit_key = "Visit ID"
        session_key = "Surgery ID"
        visited_on = "Visit date"
        contact_mode = "Type of contact"
        scar_width_mm = { column = "Scar (cm)", unit = "in" }
        satisfaction = { value = 11 }
        """,
        encoding="utf-8",
    )
    checked = run("check", export, "--mapping", mapping)
    assert checked.exit_code == 0, checked.output
    assert checked.stdout.splitlines() == [
        "9 visits from visits.csv",
        "  Visit date -> visited_on: there is no such day in the calendar (9; rows 1, 2, 3, 4, 5, ...). "
        "Check day and month.",
        "  Type of contact -> contact_mode: the mapping has no code for the answer (3; rows 2, 5, 8). "
        "Correct the answer, or add it to the codes of this column in the mapping.",
        "  satisfaction: not a whole number from 0 to 10 (9; rows 1, 2, 3, 4, 5, ... of 9 values).",
        "In all 9 records, of which 9 have a value that cannot be mapped and would be held back.",
        "Nothing was loaded.",
    ]


def test_a_file_that_identifies_somebody_is_refused_without_its_values(tmp_path: Path, export: Path) -> None:
    named = pl.read_csv(export, separator=";", infer_schema=False).with_columns(
        Ward=pl.lit("anna.example@mail.example")
    )
    named.write_csv(export, separator=";")
    started = run("start", export)
    assert started.exit_code == 0
    assert "holds values that look like identifiers; take them out at the site" in started.stdout
    assert "anna" not in started.output
    mapping = tmp_path / "A.toml"
    mapping.write_text(
        'site = "A"\n[[source]]\ndrop = ["Ward", "Scar (cm)"]\n[source.visit]\nvisit_key = "Visit ID"\n'
        'session_key = "Surgery ID"\nvisited_on = "Visit date"\ncontact_mode = "Type of contact"\n',
        encoding="utf-8",
    )
    checked = run("check", export, "--mapping", mapping)
    assert checked.exit_code == 1
    assert "looks like an e-mail address" in checked.stderr
    assert "anna" not in checked.output


def test_nothing_is_overwritten_and_sites_are_known(tmp_path: Path, export: Path, empty_registry: Path) -> None:
    out = tmp_path / "A.toml"
    out.write_text("mine")
    refused = run("start", export, "--out", out)
    assert refused.exit_code == 1
    assert "the file exists already" in refused.stderr
    assert out.read_text() == "mine"
    refused = run("start", export, "--site", "C", "--registry", empty_registry)
    assert refused.exit_code == 1
    assert "'C' is no site of this registry. Sites: A, B." in refused.stderr
    assert run("start", export, "--encoding", "hex").exit_code == 1
    assert run("check", export, "--mapping", tmp_path / "none.toml").exit_code == 1
