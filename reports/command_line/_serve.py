"""The command that serves the registry to browsers."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from ._app import RegistryOption, command, note, say


@command("serve")
def serve(
    registry: RegistryOption = Path("."),
    port: Annotated[int, typer.Option(metavar="N", min=0, max=65535, help="Port to listen on.")] = 8321,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Address to listen on; another than this machine's needs TLS.")
    ] = "127.0.0.1",
    tls_certificate: Annotated[
        Path | None, typer.Option("--tls-certificate", metavar="FILE", help="Certificate chain, PEM.")
    ] = None,
    tls_key: Annotated[Path | None, typer.Option("--tls-key", metavar="FILE", help="Its private key, PEM.")] = None,
    name: Annotated[
        list[str] | None,
        typer.Option("--name", metavar="HOST", help="Name by which browsers reach it; may be given several times."),
    ] = None,
    demand_second_step: Annotated[
        list[str] | None,
        typer.Option(
            "--demand-second-step",
            metavar="ROLE",
            help="Accounts of this role see nothing before they have set up a second step; may be given several times.",
        ),
    ] = None,
) -> None:
    """Serve the registry to browsers on this machine, or with TLS to others. Stop it with Ctrl-C."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads would wait for each other
    from ..web.access import Role
    from ..web.server import check_free, checked_listening, first_link, run_server

    roles = {Role.named(role) for role in demand_second_step or ()}
    listening = checked_listening(host, port, tls_certificate, tls_key, name or ())
    check_free(listening)
    link = first_link(registry)
    say(f"Open {listening.address} in a browser. Stop with Ctrl-C.")
    if link is not None:
        say(f"There is no account yet. The first director chooses a password here, once:\n{listening.address}{link}")
        note("Whoever has this link has the registry.")
    run_server(registry, listening, roles)
