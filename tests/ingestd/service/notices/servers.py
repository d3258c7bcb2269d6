"""Real servers for notices: SMTP by aiosmtpd, HTTP by the standard library, own certificates."""

import asyncio
import datetime as dt
import ipaddress
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

PASSWORD = "open sesame"  # noqa: S105 - of the test's own server


class Postbox:
    """What a mail server got, and how it answers."""

    def __init__(self) -> None:
        self.got: list[Envelope] = []
        self.data_answer = "250 OK"
        self.bad_addresses: set[str] = set()
        self.drop_after_data = False

    async def handle_RCPT(  # noqa: N802 - aiosmtpd's name
        self, _server: Any, _session: Any, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if address in self.bad_addresses:
            return "550 no such address"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - aiosmtpd's name
        self, server: Any, _session: Any, envelope: Envelope
    ) -> str:
        if self.data_answer.startswith("250"):
            self.got.append(envelope)
        if self.drop_after_data:
            server.transport.abort()
        return self.data_answer


def _sign_in(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
    is_right = isinstance(data, LoginPassword) and data.password == PASSWORD.encode()
    return AuthResult(success=is_right, handled=False)


@contextmanager
def mail_server(
    postbox: Postbox, *, tls: ssl.SSLContext | None = None, implicit: bool = False
) -> Iterator[int]:
    """An SMTP server on a free port of this computer.

    Args:
        tls: offered by STARTTLS and demanded, with a password; or from the first byte, `implicit`.
    """
    keys: dict[str, Any] = {}
    if tls is not None and not implicit:
        keys = {
            "tls_context": tls,
            "require_starttls": True,
            "authenticator": _sign_in,
            "auth_required": True,
        }
    listener = socket.create_server(("127.0.0.1", 0))
    loop = asyncio.new_event_loop()
    is_serving = threading.Event()

    def serve() -> None:
        asyncio.set_event_loop(loop)
        server = loop.run_until_complete(
            loop.create_server(
                lambda: SMTP(postbox, hostname="mail.example", loop=loop, **keys),
                sock=listener,
                ssl=tls if implicit else None,
            )
        )
        loop.call_soon(is_serving.set)
        loop.run_forever()
        server.close()
        for task in asyncio.all_tasks(loop):
            task.cancel()
        loop.run_until_complete(asyncio.sleep(0.01))
        loop.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        assert is_serving.wait(10)
        yield listener.getsockname()[1]
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)


class Hooks:
    """What a webhook receiver got, and how it answers."""

    def __init__(self) -> None:
        self.got: list[tuple[dict[str, str], bytes]] = []
        self.status = 204
        self.drop = False


@contextmanager
def hook_server(hooks: Hooks, *, tls: ssl.SSLContext | None = None) -> Iterator[int]:
    """An HTTP server on a free port of this computer."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            hooks.got.append(({k.lower(): v for k, v in self.headers.items()}, body))
            if hooks.drop:
                self.close_connection = True
                return
            self.send_response(hooks.status)
            if hooks.status in (301, 302, 307, 308):
                self.send_header("Location", "http://127.0.0.1:9/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()


def certificate(folder: Path, name: str = "127.0.0.1") -> tuple[Path, ssl.SSLContext]:
    """A certificate of our own for an address: its file, and a server's context with it."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(name))]),
            critical=False,
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    path = folder / "server.pem"
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    path.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    both = folder / "both.pem"
    both.write_bytes(private + path.read_bytes())
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(both)
    return path, context
