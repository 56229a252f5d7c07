"""Strings that mean harm, at every option that filters, names or groups: refused, or a value that nobody has.

By hand: the registry's file is the same before and after, byte for byte. The strings are ones that a database might run
as a statement, that lead out of a folder, or that a terminal, a spreadsheet or a page might take for a command, and
10,000 made of their parts.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines._queries import SESSION_HERE, rows
from pipelines.cohorts import define
from pipelines.cohorts.definition import check_name
from pipelines.consultation import Profile, profile_of
from pipelines.consultation.matching import matches
from pipelines.groups import Chosen, choose, chosen_fields, group_fields, shared_texts, shared_values
from registry.errors import GraftledgerError
from registry.store import DATABASE_FILE, Registry, open_registry
from reports.command_line import app
from reports.command_line._figure_requests import parse_where
from tests.small_registry import small_registry

HOSTILE = (
    "'; drop table patient; --",
    "strip' or '1'='1",
    '"; delete from session; --',
    "strip) union select patient_key from patient --",
    "{groups}",
    "$as_of",
    "../../outside",
    "=cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    "\x1b[2J\x1b]0;title\x07",
    "%s%n{0}{{7*7}}",
    "\u202egnirts",
)
MADE = 10_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from registry.store import start_registry

    folder = tmp_path_factory.mktemp("hostile") / "registry"
    start_registry(folder, ["A"], ["S1"], "Test practice")
    with small_registry(folder, patient=[{"patient_key": "p1"}], session=[{"session_key": "s1", "patient_key": "p1"}]):
        pass
    return folder


def bytes_of(folder: Path) -> str:
    return sha256((folder / DATABASE_FILE).read_bytes()).hexdigest()


def made(count: int) -> Iterator[str]:
    """Strings of parts of the hostile ones and of fields and codes that there are."""
    draw = random.Random(11)
    parts = [
        *HOSTILE,
        "technique",
        "strip",
        "=",
        ",",
        " ",
        "year",
        "'",
        '"',
        ";",
        "--",
        "\0",
        "select",
        "age_band",
        "1",
    ]
    for _ in range(count):
        chosen = [draw.choice(parts) for _ in range(draw.randint(1, 5))]
        yield "".join(part[draw.randrange(len(part)) :] if draw.random() < 0.3 else part for part in chosen)


def counted(registry: Registry, chosen: Chosen) -> int:
    values, texts = shared_values(registry.settings, None, chosen), shared_texts((), chosen)
    found = rows(registry, SESSION_HERE, "select count(*) from session_here", values, texts)
    return int(found.item())


@pytest.mark.slow
def test_made_strings_filter_nobody_in_and_do_nothing(folder: Path) -> None:
    before = bytes_of(folder)
    with open_registry(folder) as registry:
        settings = registry.settings
        open_fields = [name for name, field in group_fields(settings).items() if not field.values]
        ways: list[Callable[[str], object]] = [
            lambda text: choose(settings, parse_where([text])),
            lambda text: choose(settings, {"technique": [text]}),
            lambda text: choose(settings, {text: ["strip"]}),
            lambda text: chosen_fields([text], settings),
            lambda text: check_name(text),
            lambda text: define(settings, where={"technique": [text]}),
            lambda text: profile_of(registry, text),
            lambda text: matches(settings, Profile(30, technique=text)),
        ]
        refused = 0
        for number, text in enumerate(made(MADE)):
            try:
                ways[number % len(ways)](text)
            except GraftledgerError:
                refused += 1
            if number % 50 == 0:  # a field of any text: a value that nobody has
                for name in open_fields:
                    assert counted(registry, choose(settings, {name: [text]})) == 0 or text.strip() in ("1", "2010")
        assert refused >= MADE * 0.9
    assert bytes_of(folder) == before


AT: tuple[tuple[str, ...], ...] = (
    ("figures", "graft-survival", "--by", "{}"),
    ("figures", "graft-survival", "--where", "technique={}"),
    ("figures", "graft-survival", "--where", "{}=strip"),
    ("figures", "graft-survival", "--where", "year={}"),
    ("figures", "duration", "--of", "{}"),
    ("cohort", "define", "{}"),
    ("cohort", "define", "a", "--exclude", "sex={}"),
    ("cohort", "show", "{}"),
    ("export", "{}", "--level", "limited", "--out", "{out}"),
    ("consultation-sheet", "--patient", "{}"),
    ("consultation-sheet", "--age", "30", "--sex", "{}"),
    ("expectations", "--by", "{}"),
    ("cases-needed", "{}", "--difference", "0.1"),
    ("cases-needed", "infection", "--difference", "0.1", "--where", "sex={}"),
    ("benchmark", "{}", "--out", "{out}"),
    ("visits-due", "--by", "{}"),
    ("audit", "{}", "--out", "{out}"),
)


@pytest.mark.slow
@pytest.mark.parametrize("at", AT, ids=[" ".join(words[:2]) + f" {place}" for place, words in enumerate(AT)])
def test_at_the_command_line_a_refusal_is_plain_and_changes_nothing(
    at: tuple[str, ...], folder: Path, tmp_path: Path
) -> None:
    before = bytes_of(folder)
    for text in HOSTILE:
        words = [str(tmp_path / "out") if word == "{out}" else word.replace("{}", text) for word in at]
        result = CliRunner().invoke(app, [*words, "--registry", str(folder)])
        assert result.exception is None or isinstance(result.exception, SystemExit), (text, result.exception)
        assert not {"\x1b", "\x07", "\u202e"} & set(result.output), text
        assert result.exit_code != 0 or "year=" in " ".join(at)
    assert bytes_of(folder) == before
    assert list(tmp_path.iterdir()) == []
