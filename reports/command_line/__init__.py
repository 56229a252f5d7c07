"""The `graftledger` command: one module a group of commands, slow libraries imported only where used."""

from __future__ import annotations

from . import _audit, _demo, _figures, _held_back, _intake, _mapping, _pseudonymise, _setup, _synthesise  # noqa: F401  (each registers commands)
from ._app import app


def main() -> None:
    """Entry point of the `graftledger` command."""
    app()


__all__ = ["app", "main"]
