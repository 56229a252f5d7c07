"""A full disk, a folder that is read-only or closed, two writers at once, a file deleted or damaged.

The commands are those that users type, in processes of their own. Whatever happens: one message on one line that says
what and where and how to mend it, exit code 1, and a registry as it was. Expected values: the registry before, and the
registry after a command that nothing disturbed.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from registry import open_registry
from registry.database_file import DATABASE_FILE, leftovers
from registry.settings import SETTINGS_FILE
from registry.store import start_registry
from tests.faults.forked_acts import CLOSING
from tests.faults.programs import Answer, Commander, Killer
from tests.faults.states import State, contents, state_of
from tests.pipelines.intake.sound_rows import numbered, write_csv

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="the system cannot fork a process"),
]

FAMILIES = range(1, 41)
PATIENT, ANOTHER = (numbered("patient", number)["patient_key"] for number in (1, 2))
TODAY = ("--today", "2026-09-30")
CHANGES: dict[str, tuple[str, ...]] = {
    "intake": ("intake", "corrected.csv", *TODAY, "--as", "patient"),
    "retry": ("held-back", "retry", *TODAY),
    "dismiss": ("held-back", "dismiss", "1", "--reason", "other"),
    "declare": ("declare-activity", "A", "2026-Q2", "--sessions", "4", "--complete-to", "2026-06-30", *TODAY),
    "merge": ("merge-patients", PATIENT, ANOTHER, *TODAY),
    "erase": ("erase-patient", PATIENT, "--yes"),
}
"""Every command that changes a registry, after a row of site C was held back and the settings gained that site."""


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory, graftledger: Commander) -> Path:
    """A folder with a registry and a file of corrections."""
    folder = tmp_path_factory.mktemp("base")
    start_registry(folder / "registry", ["A", "B"], ["S1", "S2"], "Test practice")
    patients = [numbered("patient", number) for number in FAMILIES]
    write_csv(folder / "patient.csv", [*patients, numbered("patient", 99, site_code="C")])
    write_csv(folder / "corrected.csv", [row | {"smoking": "former"} for row in patients])
    taken = graftledger("intake", folder / "patient.csv", "--registry", folder / "registry", *TODAY)
    assert taken.exit == 0
    settings = folder / "registry" / SETTINGS_FILE
    settings.write_text(settings.read_text(encoding="utf-8").replace('"A", "B"', '"A", "B", "C"'), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def before(base: Path) -> State:
    return state_of(base / "registry")


@pytest.fixture(scope="module")
def after(base: Path, graftledger: Commander, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], State]:
    """What the registry holds after a command that nothing disturbed."""
    states: dict[str, State] = {}

    def state_after(change: str) -> State:
        if change not in states:
            folder = shutil.copytree(base / "registry", tmp_path_factory.mktemp("after") / "registry")
            assert graftledger(*arguments(change, base, folder)).exit == 0
            states[change] = state_of(folder)
        return states[change]

    return state_after


@pytest.fixture
def registry(base: Path, tmp_path: Path) -> Iterator[Path]:
    folder = shutil.copytree(base / "registry", tmp_path / "registry")
    yield folder
    if folder.exists():
        folder.chmod(0o700)


def arguments(change: str, base: Path, registry: Path) -> list[str | Path]:
    files = {path.name: path for path in base.iterdir()}
    return [*(files.get(part, part) for part in CHANGES[change]), "--registry", registry]


def refused(answer: Answer, *words: str) -> bool:
    """Whether the command refused in one line that holds these words."""
    assert answer.exit == 1, answer
    assert answer.err.count("\n") == 1, answer.err
    assert "Traceback" not in answer.err
    assert not [key for key in (PATIENT, ANOTHER) if key in answer.err]
    assert [word for word in words if word not in answer.err] == [], answer.err
    return True


@pytest.mark.parametrize("change", CHANGES)
def test_a_full_disk(
    change: str,
    base: Path,
    before: State,
    after: Callable[[str], State],
    graftledger: Commander,
    tmp_path: Path,
) -> None:
    """No file may grow beyond a limit, from nothing at all to as much as is needed."""
    size = (base / "registry" / DATABASE_FILE).stat().st_size
    done, turned_away = 0, 0
    for limit in (0, 200, 2_000, 20_000, size // 3, size * 2 // 3, 4 * size):
        folder = shutil.copytree(base / "registry", tmp_path / f"limit_{limit}")
        answer = graftledger(*arguments(change, base, folder), largest_file_bytes=limit)
        if answer.exit:
            assert refused(answer, "disk", "room")
            turned_away += 1
        assert leftovers(folder) == []
        assert state_of(folder) == (before if answer.exit else after(change))
        done += not answer.exit
    assert turned_away >= 2
    assert done >= 1


@pytest.mark.skipif(
    sys.platform != "linux" and hasattr(os, "geteuid") and os.geteuid() == 0,
    reason="modes do not bind root, who can give up privileges on Linux alone",
)
class TestFolder:
    @pytest.mark.parametrize("change", CHANGES)
    def test_a_read_only_folder(
        self, change: str, base: Path, registry: Path, before: State, graftledger: Commander
    ) -> None:
        registry.chmod(0o500)
        answer = graftledger(*arguments(change, base, registry))
        assert refused(answer, "may not be opened or written")
        assert graftledger("status", "--registry", registry).exit == 0
        assert graftledger("verify", "--registry", registry).exit == 0
        registry.chmod(0o700)
        assert state_of(registry) == before

    @pytest.mark.parametrize("change", ["intake", "erase"])
    @pytest.mark.parametrize("name", [DATABASE_FILE, SETTINGS_FILE, "."])
    def test_closed_to_the_user(
        self, change: str, name: str, base: Path, registry: Path, before: State, graftledger: Commander
    ) -> None:
        (registry / name).chmod(0)
        answer = graftledger(*arguments(change, base, registry))
        if name == ".":
            assert answer.exit == 2
            assert "is not readable" in answer.err
        else:
            assert refused(answer, "Check", "permissions")
        (registry / name).chmod(0o700)
        assert state_of(registry) == before


HOLD = """
import sys
from datetime import date
from pathlib import Path
from pipelines.intake import run_intake
from registry import open_registry

def hold(step):
    if step == "Loading":
        print("held", flush=True)
        input()

with open_registry(sys.argv[1], read_only=False) as registry:
    file, today = Path(sys.argv[2]), date(2026, 9, 30)
    run_intake(registry, [file], as_type="patient", today=today, received_by="x", progress=hold)
"""


def test_a_second_writer_while_an_intake_is_under_way(
    base: Path, registry: Path, before: State, after: Callable[[str], State], graftledger: Commander
) -> None:
    """Writers are turned away; readers see the state before."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(registry), str(base / "corrected.csv")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    ) as first:
        assert first.stdin is not None
        assert first.stdout is not None
        assert first.stdout.readline() == "held\n"
        for change in CHANGES:
            answer = graftledger(*arguments(change, base, registry))
            assert refused(answer, "in use by another program", "Wait")
        with open_registry(registry) as reading:
            assert contents(reading) == before
        assert graftledger("verify", "--registry", registry).exit == 0
        first.stdin.write("\n")
        first.stdin.flush()
        assert first.wait(60) == 0
    seen, expected = state_of(registry), after("intake")
    assert {table: rows for table, rows in seen.items() if table != "intake"} == {
        table: rows for table, rows in expected.items() if table != "intake"
    }  # who received it differs
    assert seen["intake"][0] == expected["intake"][0]


def test_two_intakes_at_the_same_moment(
    registry: Path, tmp_path: Path, graftledger: Commander, another: Commander
) -> None:
    """Whoever comes in time has its rows in, whoever is told to wait has none."""
    expected = len(FAMILIES)
    for attempt in range(4):
        for at, commander in enumerate((graftledger, another)):
            row = numbered("patient", 1000 + 2 * attempt + at)
            path = write_csv(tmp_path / f"{attempt}_{at}" / "patient.csv", [row])
            commander.begin("intake", path, "--registry", registry, *TODAY)
        answers = [graftledger.end(), another.end()]
        assert 0 in {answer.exit for answer in answers}
        assert all(refused(answer, "in use by another program") for answer in answers if answer.exit)
        expected += sum(not answer.exit for answer in answers)
        assert state_of(registry)["patient"][0] == expected


def _garbage(length: int) -> bytes:
    return random.Random(length).randbytes(length)


def _rewrite(change: Callable[[bytes], bytes], name: str = DATABASE_FILE) -> Callable[[Path], object]:
    return lambda folder: (folder / name).write_bytes(change((folder / name).read_bytes()))


DAMAGES: dict[str, tuple[Callable[[Path], object], str]] = {
    "the folder deleted": (lambda folder: shutil.rmtree(folder), "there is no registry"),
    "the database deleted": (lambda folder: (folder / DATABASE_FILE).unlink(), "the database is missing"),
    "the settings deleted": (lambda folder: (folder / SETTINGS_FILE).unlink(), "the settings file is missing"),
    "the settings garbage": (_rewrite(lambda content: _garbage(900), SETTINGS_FILE), "not a TOML file"),
    "emptied": (_rewrite(lambda content: b""), "damaged"),
    "cut to 100 bytes": (_rewrite(lambda content: content[:100]), "damaged"),
    "cut to its first headers": (_rewrite(lambda content: content[:12_288]), "damaged"),
    "cut by half": (_rewrite(lambda content: content[: len(content) // 2]), "damaged"),
    "text": (_rewrite(lambda content: b"patient_key,site_code\n" * 2000), "damaged"),
    "garbage": (_rewrite(lambda content: _garbage(len(content))), "damaged"),
    "garbage in the main header": (_rewrite(lambda content: _garbage(4096) + content[4096:]), "damaged"),
    "garbage in the other headers": (
        _rewrite(lambda content: content[:4096] + _garbage(8192) + content[12_288:]),
        "damaged",
    ),
    "zeros in the second half": (
        _rewrite(lambda content: content[: len(content) // 2].ljust(len(content), b"\0")),
        "damaged",
    ),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_registry_deleted_or_damaged(damage: str, base: Path, registry: Path, graftledger: Commander) -> None:
    """Nothing is made or changed in its place, so that it can be looked into and restored."""
    make, words = DAMAGES[damage]
    make(registry)
    left = {path.name: path.read_bytes() for path in registry.iterdir()} if registry.exists() else {}
    for command in (
        ["status", "--registry", registry],
        ["verify", "--registry", registry],
        arguments("intake", base, registry),
        arguments("erase", base, registry),
    ):
        assert refused(graftledger(*command), words)
    assert left == ({path.name: path.read_bytes() for path in registry.iterdir()} if registry.exists() else {})


def test_garbage_anywhere_in_the_database(base: Path, registry: Path, before: State, graftledger: Commander) -> None:
    """It is told of by `verify`, or it hit what holds nothing."""
    content = (registry / DATABASE_FILE).read_bytes()
    told = 0
    for start in range(12_288, len(content) - 4096, 131_072):
        damaged = content[:start] + _garbage(4096) + content[start + 4096 :]
        (registry / DATABASE_FILE).write_bytes(damaged)
        answer = graftledger("verify", "--registry", registry)
        if answer.exit:
            assert refused(answer, "damaged", "Restore")
            told += 1
        else:
            assert state_of(registry) == before
    assert told >= len(content) // 131_072 // 3


def test_the_log_of_an_intake_in_place_cut_off_or_damaged(
    base: Path, registry: Path, before: State, killer: Killer, graftledger: Commander
) -> None:
    """Cut off, as a kill may leave it, it counts for nothing; garbage in it is told of."""
    killer.order("intake in place", registry, str(base / "corrected.csv"), CLOSING, 0)
    log = registry / f"{DATABASE_FILE}.wal"
    whole = log.read_bytes()
    for position in (100, len(whole) // 2, len(whole) - 100):
        log.write_bytes(whole[:position] + _garbage(50) + whole[position + 50 :])
        for command in (["verify", "--registry", registry], arguments("intake", base, registry)):
            assert refused(graftledger(*command), "damaged", "Restore")
    for size in (0, len(whole) // 2, len(whole) - 1):
        log.write_bytes(whole[:size])
        with open_registry(registry) as opened:
            assert contents(opened) == before
    assert state_of(registry) == before
