"""Starting the server: where it listens, by which names it may be called, and the link of the first director."""

from __future__ import annotations

import os
import socket
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from registry.errors import Fault, GraftledgerError
from registry.parquet_records import parquet_fault
from registry.store import open_registry

from .access import Role
from .accounts import accounts, add_account, new_link
from .state import prepare_state

FIRST_DIRECTOR = "director"
LOCAL_HOSTS = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True)
class Listening:
    """Where and how the server listens. names: of hosts that a request may be addressed to."""

    host: str
    port: int
    certificate: Path | None
    key: Path | None
    names: tuple[str, ...]

    @property
    def is_secure(self) -> bool:
        """Whether it speaks TLS."""
        return self.certificate is not None

    @property
    def address(self) -> str:
        """What to open in a browser."""
        return f"{'https' if self.is_secure else 'http'}://{self.names[0]}:{self.port}"


def checked_listening(
    host: str, port: int, certificate: Path | None, key: Path | None, names: Sequence[str]
) -> Listening:
    """Where to listen.

    Raises: GraftledgerError where the address is no address, one beyond this machine is asked for without TLS, or a
    TLS file is missing.
    """
    try:
        is_local = host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        raise GraftledgerError(
            Fault(
                "is no address of this machine.",
                field="--host",
                mend="Give an IP address, such as 127.0.0.1, and the name by --name.",
            )
        ) from None
    if (certificate is None) is not (key is None):
        raise GraftledgerError("TLS takes both files: --tls-certificate and --tls-key.")
    if not is_local and certificate is None:
        raise GraftledgerError(
            Fault(
                "beyond this machine, records would travel in the clear.",
                field="--host",
                mend="Give --tls-certificate and --tls-key, or leave --host out.",
            )
        )
    missing = [path for path in (certificate, key) if path is not None and not path.is_file()]
    if missing:
        raise GraftledgerError(*(Fault("there is no such file.", str(path)) for path in missing))
    known = (*(name.lower() for name in names), *(LOCAL_HOSTS if is_local else (host,)))
    return Listening(host, port, certificate, key, tuple(dict.fromkeys(known)))


def first_link(folder: Path) -> str | None:
    """The path of a one-time link for the first director; None once there is a director who has a password.

    Raises: GraftledgerError where there is no registry or its folder cannot be written.
    """
    with open_registry(folder):
        pass
    if fault := parquet_fault(folder):
        raise GraftledgerError(fault)
    prepare_state(folder)
    known = accounts(folder)
    if any(one.role is Role.DIRECTOR and one.has_password for one in known):
        return None
    waiting = [one.name for one in known if one.role is Role.DIRECTOR and one.disabled_at is None]
    token = new_link(folder, waiting[0]) if waiting else add_account(folder, FIRST_DIRECTOR, Role.DIRECTOR)
    return f"/welcome/{token}"


def check_free(listening: Listening) -> None:
    """Raises: GraftledgerError where the address is not of this machine, taken, or not for this account to take."""
    try:
        socket.create_server(
            (listening.host, listening.port), family=socket.AF_INET6 if ":" in listening.host else socket.AF_INET
        ).close()
    except OSError as error:
        raise GraftledgerError(
            Fault(
                f"cannot listen there ({os.strerror(error.errno or 0).lower()}).",
                f"{listening.host}:{listening.port}",
                mend="Choose another --port or --host, or stop the program that listens there.",
            )
        ) from None


def run_server(folder: Path, listening: Listening, second_step_for: Collection[Role] = ()) -> None:
    """Serve until stopped. Addresses of requests are not written to the terminal: a one-time link is one.

    second_step_for: roles that must set up a second step.
    """
    import uvicorn

    from .application import create_application

    uvicorn.run(
        create_application(
            folder, is_secure=listening.is_secure, hosts=listening.names, second_step_for=second_step_for
        ),
        host=listening.host,
        port=listening.port,
        ssl_certfile=listening.certificate,
        ssl_keyfile=listening.key,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        log_level="warning",
        timeout_keep_alive=30,
    )
