"""The `graftledger` command: one module a group of commands, slow libraries imported only where used."""

from __future__ import annotations

import os

from . import (  # noqa: F401  (each module registers its commands)
    _accounts,
    _agreed_actions,
    _audit,
    _backup,
    _benchmark,
    _case_mix,
    _cases_needed,
    _cohort,
    _consultation,
    _contact_list,
    _counts,
    _demo,
    _encryption,
    _expectations,
    _export,
    _figures,
    _held_back,
    _intake,
    _intake_report,
    _mapping,
    _model,
    _outlier_reviews,
    _parquet,
    _patients,
    _pseudonymise,
    _registry,
    _serve,
    _setup,
    _synthesise,
    _visits_due,
)
from ._app import app


def main() -> None:
    """Entry point of the `graftledger` command.

    What it writes is its owner's alone; so is what the engine writes meanwhile, which could hold records: its log, and
    what it spills.
    """
    os.umask(0o077)
    app()


__all__ = ["app", "main"]
