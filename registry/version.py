"""Version of the installed program."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    """Version of the installed program."""
    try:
        return version("graftledger")
    except PackageNotFoundError:
        return "0+unknown"
