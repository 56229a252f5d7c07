"""Nothing is sent anywhere: from fictional files to figures, an audit and a backup, no socket is opened."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any, NoReturn

import pytest
from typer.testing import CliRunner

from reports.command_line import app


class TriedToReachOut(BaseException):
    """No library catches it by accident."""


@pytest.mark.slow
def test_the_whole_job_opens_no_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python's own sockets, which Great Expectations' telemetry would use. DuckDB is kept from loading what could reach
    out (`registry.store.connect`), which the last lines try."""
    tried: list[str] = []

    def refuse(*arguments: Any, **named: Any) -> NoReturn:
        tried.append(repr(arguments[1:2]))
        raise TriedToReachOut(arguments)

    for name in ("connect", "connect_ex", "sendto"):
        monkeypatch.setattr(socket.socket, name, refuse)
    for name in ("getaddrinfo", "gethostbyname", "create_connection"):
        monkeypatch.setattr(socket, name, refuse)

    def run(*arguments: str) -> str:
        result = CliRunner().invoke(app, list(arguments))
        assert result.exit_code == 0, result.output
        return result.output

    out = str(tmp_path / "demo")
    run("demo", out, "--patients", "60")
    registry = str(tmp_path / "demo" / "registry")
    run("model", "next-session", "--registry", registry, "--out", str(tmp_path / "model"))
    run("backup", str(tmp_path / "backup.tar"), "--registry", registry)
    assert tried == []


def test_the_database_loads_nothing_by_itself(empty_registry: Path) -> None:
    import duckdb

    from registry.store import open_registry

    with open_registry(empty_registry) as registry:
        asked = "select value from duckdb_settings() where name = ?"
        for name in ("autoload_known_extensions", "autoinstall_known_extensions"):
            assert registry.connection.execute(asked, [name]).fetchall() == [("false",)]
        with pytest.raises(duckdb.Error):
            registry.connection.execute("select * from read_csv('https://localhost/x.csv')")
