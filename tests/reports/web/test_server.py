"""The server itself: TLS as it is spoken, and what stands in its headers."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import httpx
import pytest
import uvicorn
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from reports.web import server
from reports.web.server import checked_listening, run_server


@pytest.fixture
def certificate(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate for this machine that vouches for itself, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "test")])
    day = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(day - timedelta(days=1))
        .not_valid_after(day + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    chain, secret = tmp_path / "chain.pem", tmp_path / "key.pem"
    chain.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return chain, secret


@pytest.fixture
def port(empty_registry: Path, certificate: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Port of a server with TLS, started as `graftledger serve` does, in a thread."""
    running: list[uvicorn.Server] = []

    def run(application: object, **options: object) -> None:
        one = uvicorn.Server(uvicorn.Config(application, **options))  # type: ignore[arg-type]
        running.append(one)
        one.run()

    monkeypatch.setattr(uvicorn, "run", run)
    listening = checked_listening("127.0.0.1", 0, *certificate, [])
    thread = threading.Thread(target=run_server, args=(empty_registry, listening), daemon=True)
    thread.start()
    while not running or not running[0].started:
        time.sleep(0.02)
    yield running[0].servers[0].sockets[0].getsockname()[1]
    running[0].should_exit = True
    thread.join(20)


def test_tls_is_spoken_in_its_present_versions_alone(port: int, certificate: tuple[Path, Path]) -> None:
    def spoken(version: ssl.TLSVersion) -> tuple[str | None, str]:
        context = ssl.create_default_context(cafile=certificate[0])
        context.minimum_version = context.maximum_version = version
        with (
            socket.create_connection(("127.0.0.1", port), timeout=10) as plain,
            context.wrap_socket(plain, server_hostname="127.0.0.1") as wrapped,
        ):
            cipher = wrapped.cipher()
            assert cipher is not None
            return wrapped.version(), cipher[0]

    assert spoken(ssl.TLSVersion.TLSv1_3)[0] == "TLSv1.3"
    version, cipher = spoken(ssl.TLSVersion.TLSv1_2)
    assert version == "TLSv1.2"
    assert "ECDHE" in cipher
    assert "GCM" in cipher or "CHACHA20" in cipher
    with pytest.warns(DeprecationWarning, match="TLSv1_1"), pytest.raises(ssl.SSLError):
        spoken(ssl.TLSVersion.TLSv1_1)


def test_answers_name_no_server_and_cookies_are_secure(port: int, certificate: tuple[Path, Path]) -> None:
    context = ssl.create_default_context(cafile=certificate[0])
    with httpx.Client(verify=context, base_url=f"https://127.0.0.1:{port}") as client:
        answer = client.get("/sign-in")
    assert answer.status_code == 200
    assert "server" not in answer.headers
    assert answer.headers["set-cookie"].startswith("__Host-")
    assert "Secure" in answer.headers["set-cookie"]
    assert answer.headers["strict-transport-security"]
    with httpx.Client() as client, pytest.raises(httpx.TransportError):
        client.get(f"http://127.0.0.1:{port}/sign-in")


def test_who_is_asked_for_by_another_name_is_not_answered(port: int, certificate: tuple[Path, Path]) -> None:
    context = ssl.create_default_context(cafile=certificate[0])
    with httpx.Client(verify=context, base_url=f"https://127.0.0.1:{port}") as client:
        assert client.get("/sign-in", headers={"host": "elsewhere.example"}).status_code == 400
    assert server.LOCAL_HOSTS == ("127.0.0.1", "localhost", "[::1]")
