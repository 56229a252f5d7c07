"""Imports run one way: reports -> pipelines -> registry, and synthetic_data -> registry alone."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "registry": set(),
    "pipelines": {"registry"},
    "synthetic_data": {"registry"},
    "reports": {"registry", "pipelines", "synthetic_data"},
}
FILES = [path for package in MAY_IMPORT for path in sorted((ROOT / package).rglob("*.py"))]


def imported_packages(source: str) -> set[str]:
    """First names of all absolute imports, wherever they stand in the file."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module.split(".")[0])
    return names


def test_every_package_is_covered() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in FILES} == set(MAY_IMPORT)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_run_one_way(path: Path) -> None:
    package = path.relative_to(ROOT).parts[0]
    ours = imported_packages(path.read_text(encoding="utf-8")) & set(MAY_IMPORT)
    assert ours - {package} <= MAY_IMPORT[package]


def test_the_check_sees_a_wrong_import() -> None:
    assert "reports" in imported_packages("def f():\n    from reports.audit import build\n")
