"""The service's own small door: /health and /metrics, for this computer only.

It answers also while the writer is stuck or the ledger is full: that is when it is asked.
"""

import json
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from socket import AF_INET, AF_INET6
from typing import Any

from ingestd.config.operation import host_and_port
from ingestd.errors import ConfigError
from ingestd.service.health import Health
from ingestd.service.metrics import CONTENT_TYPE

PATIENCE_S = 5.0  # for a client that does not say what it wants
MOST_AT_ONCE = 8
_NAMES = ("127.0.0.1", "localhost", "::1")


class MonitoringDoor:
    """Serves health and metrics on threads of its own.

    Args:
        address: HOST:PORT; port 0 takes a free one.
        health: asked at each request for /health.
        metrics: asked at each request for /metrics.

    Raises:
        ConfigError: the address is taken.
    """

    def __init__(
        self, address: str, *, health: Callable[[], Health], metrics: Callable[[], bytes]
    ) -> None:
        host, port = host_and_port(address)
        try:
            self._server = _Server((host, port), health, metrics)
        except OSError as error:
            raise ConfigError(
                "service.metrics",
                f"{address}: {error.strerror}",
                "end what uses it, or name another port",
            ) from error
        self._thread = threading.Thread(
            target=self._server.serve_forever, name="monitoring", args=(0.2,), daemon=True
        )

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self._server.server_address[1])

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Answer no more."""
        self._server.shutdown()
        self._server.server_close()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False

    def __init__(
        self,
        address: tuple[str, int],
        health: Callable[[], Health],
        metrics: Callable[[], bytes],
    ) -> None:
        self.address_family = AF_INET6 if ":" in address[0] else AF_INET
        self.health = health
        self.metrics = metrics
        self.places = threading.BoundedSemaphore(MOST_AT_ONCE)
        super().__init__(address, _Request)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer on a thread of its own, if not too many are being answered."""
        if not self.places.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Give the place back whatever happens."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self.places.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up in the middle is no event."""


class _Request(BaseHTTPRequestHandler):
    server: _Server
    timeout = PATIENCE_S
    server_version = "ingestd"
    sys_version = ""

    def do_GET(self) -> None:
        """Health and metrics; everything else is not here."""
        # A page of somebody else's could point a name of its own at this computer.
        name = (
            self.headers.get("Host", "").rpartition("]")[0].lstrip("[")
            or (self.headers.get("Host", "").partition(":")[0])
        )
        if name not in _NAMES:
            self._answer(
                421, "text/plain; charset=utf-8", b"ask for this computer by its address\n"
            )
        elif self.path == "/health":
            health = self.server.health()
            body = json.dumps(health._asdict(), ensure_ascii=False).encode()
            is_well = health.live and health.ready
            self._answer(200 if is_well else 503, "application/json", body)
        elif self.path == "/metrics":
            self._answer(200, CONTENT_TYPE, self.server.metrics())
        else:
            self._answer(404, "text/plain; charset=utf-8", b"/health or /metrics\n")

    def _answer(self, status: int, kind: str, body: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - its parent's name
        """A request here is no event."""
