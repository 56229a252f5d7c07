"""What the commands about a registry and its patients print, in 80 columns, and how they end."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner

from registry.store import DATABASE_FILE
from reports.command_line import app
from tests.conftest import start_test_registry
from tests.made_once import made_once
from tests.pipelines.intake.sound_rows import KEY_OF, SOUND, numbered, write_csv

KEY = numbered("patient", 1)["patient_key"]


def run(*arguments: str | Path, stdin: str | None = None) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments], input=stdin)
    assert "Traceback" not in result.output
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def folder(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Families 1 and 2; a patient with an unknown code and a session that waits for it."""
    made = made_once(tmp_path_factory, "registry_commands", make_folder)
    return shutil.copytree(made / "registry", tmp_path / "registry")


def make_folder(place: Path) -> None:
    registry = place / "registry"
    place.mkdir()
    start_test_registry(registry)
    rows = {record: [numbered(record, n) for n in (1, 2)] for record in KEY_OF}
    rows["patient"].append(numbered("patient", 3, sex="x9"))
    rows["session"].append(numbered("session", 3))
    rows["site_period"] = [SOUND["site_period"]]
    files = [write_csv(place / "in" / f"{record}.csv", lines) for record, lines in rows.items()]
    code, *_ = run("intake", *files, "--registry", registry, "--today", "2026-09-30", "--received-by", "tester")
    assert code == 0


def test_status(folder: Path) -> None:
    """By hand."""
    code, out, _ = run("status", "--registry", folder)
    assert code == 0
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    assert next(line.split() for line in lines if line.startswith(("A ", "B ")))[:5] == [
        "A",
        "2",
        "2",
        "2",
        "2026-06-30",
    ]
    assert "Held back: 1 open, 1 waiting for a record that has not come." in lines
    assert any(line.split()[:2] == ["1", "files"] and "tester" in line for line in lines)

    code, out, _ = run("status", "--registry", folder, "--format", "json")
    found = json.loads(out)
    assert found["records"] == {**dict.fromkeys(KEY_OF, 2), "site_period": 1}
    assert (found["held_back"], found["waiting"], found["events"]) == (1, 1, 1)
    assert [(site["site"], site["held_back"]) for site in found["sites"]] == [("A", 2), ("B", 0)]
    assert found["last_events"][0]["rows_read"] == 13


def test_status_of_an_empty_registry(empty_registry: Path) -> None:
    code, out, _ = run("status", "--registry", empty_registry)
    assert code == 0
    assert "Events: 0." in out


def test_verify(folder: Path) -> None:
    code, out, _ = run("verify", "--registry", folder)
    assert (code, out.startswith("Sound: ")) == (0, True)
    with duckdb.connect(str(folder / DATABASE_FILE)) as connection:
        connection.execute("delete from session where session_key like '%1'")
    code, out, err = run("verify", "--registry", folder)
    assert (code, out) == (1, "")
    assert "visit, session_key: 1 rows refer to a session that is not there." in err


def test_held_back_list_and_its_filters(folder: Path) -> None:
    code, out, _ = run("held-back", "list", "--registry", folder)
    assert code == 0
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[2].split() == ["1", "open", "patient", "A", "1", "patient.csv", "row", "3"]
    assert lines[-1] == "2 rows: 1 open, 1 waiting."
    code, out, _ = run("held-back", "list", "--registry", folder, "--record", "session", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [(row["entry"], row["status"], row["rule"]) for row in rows] == [("2", "waiting", "unknown_patient")]
    code, out, _ = run("held-back", "list", "--registry", folder, "--site", "B")
    assert (code, out.strip()) == (0, "No row is held back.")


def test_held_back_export_retry_and_dismiss(folder: Path, tmp_path: Path) -> None:
    code, out, err = run("held-back", "export", "--registry", folder, "--out", tmp_path / "out")
    assert code == 0
    assert out.startswith("2 rows of site A in")
    assert (tmp_path / "out" / "held_back_A.xlsx").exists()
    code, out, _ = run("held-back", "retry", "--registry", folder, "--today", "2026-09-30")
    assert (code, "Held back before and judged again: 1 of patient; 0 came in." in out) == (0, True)
    code, _, err = run("held-back", "dismiss", "1", "--registry", folder, "--reason", "double")
    assert (code, err.startswith("'double' is no reason for this.")) == (1, True)
    code, out, _ = run("held-back", "dismiss", "1", "--registry", folder, "--reason", "duplicate")
    assert code == 0
    assert out.startswith("1 row was set aside: the record is in the registry under another row")
    code, _, err = run("held-back", "export", "--registry", folder, "--out", tmp_path / "other", "--site", "B")
    assert (code, err.strip()) == (1, "No row is held back for site B.")


def test_declare_activity(folder: Path) -> None:
    options = ("--registry", folder, "--today", "2026-10-15")
    declared = ("declare-activity", "A", "2026-Q3", "--sessions", "5", "--complete-to", "2026-09-30", *options)
    assert [run(*declared)[1].split(":")[0] for _ in range(2)] == ["Taken in", "There already"]
    code, out, _ = run("declare-activity", "A", "2026-Q3", "--complete-to", "2026-10-01", *options)
    assert (code, out.split(":")[0]) == (0, "Corrected")
    for arguments, words in (
        (("Z", "2026-Q3", "--complete-to", "2026-09-30"), "site_code"),
        (("A", "2026-Q9", "--complete-to", "2026-09-30"), "quarter"),
        (("A", "2026-Q3", "--complete-to", "2027-09-30"), "in the future"),
    ):
        code, out, err = run("declare-activity", *arguments, *options)
        assert (code, out, words in err) == (1, "", True)


def test_erase_patient_asks_first(folder: Path) -> None:
    code, out, err = run("erase-patient", KEY, "--registry", folder, stdin="n\n")
    assert (code, err.strip().splitlines()[-1].endswith("Nothing was erased.")) == (1, True)
    assert out.splitlines()[1].split() == ["patients", "1", "0", "0"]
    code, out, err = run("erase-patient", KEY, "--registry", folder, stdin="y\n")
    assert (code, "Erased (event 2)." in out) == (0, True)
    assert "backups" in err
    code, _, err = run("erase-patient", KEY, "--registry", folder, "--yes")
    assert (code, "holds nothing of a patient of this key" in err) == (1, True)
    assert run("verify", "--registry", folder)[0] == 0


def test_merge_patients_and_undo(folder: Path, tmp_path: Path) -> None:
    other = numbered("patient", 2)["patient_key"]
    options = ("--registry", folder, "--today", "2026-09-30")
    code, _, err = run("merge-patients", KEY, other, *options)
    assert (code, "session_number_once" in err, "Nothing was changed." in err) == (1, True, True)
    later = numbered("session", 2, session_number="2")
    run("intake", write_csv(tmp_path / "new" / "session.csv", [later]), *options)
    code, out, _ = run("merge-patients", KEY, other, *options)
    assert (code, out.startswith("Merged (event 3).")) == (0, True)
    code, out, _ = run("merge-patients", KEY, other, "--undo", *options)
    assert (code, out.startswith("Parted (event 4).")) == (0, True)
    assert run("verify", "--registry", folder)[0] == 0


def test_a_withdrawal_names_the_command(folder: Path, tmp_path: Path) -> None:
    withdrawn = numbered("patient", 1, status_at_last_contact="consent_withdrawn", died_on="")
    code, _, err = run(
        "intake",
        write_csv(tmp_path / "new" / "patient.csv", [withdrawn]),
        "--registry",
        folder,
        "--today",
        "2026-09-30",
    )
    assert code == 0
    assert f"graftledger erase-patient {KEY} --registry {folder}" in err
    assert f"Asks to be erased: {KEY}" in run("status", "--registry", folder)[1]


def test_help_lists_every_command_by_task() -> None:
    from typer.main import get_command

    from reports.command_line._app import BY_TASK

    assert sorted(BY_TASK) == sorted(get_command(app).commands)  # type: ignore[attr-defined]
    listed = CliRunner().invoke(app, ["--help"]).output
    places = [listed.index(f"\n  {name} ") for name in BY_TASK]
    assert places == sorted(places)
