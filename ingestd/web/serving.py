"""The page's process: the application under uvicorn, ended cleanly."""

import socket
from types import FrameType
from typing import Any

import uvicorn

from ingestd import events
from ingestd.errors import ConfigError
from ingestd.web.app import make_app
from ingestd.web.live import LiveFeed
from ingestd.web.office import Office

GRACE_S = 3


class _Server(uvicorn.Server):
    """Ends the live streams first: they would otherwise never end by themselves."""

    def __init__(self, config: uvicorn.Config, feed: LiveFeed) -> None:
        super().__init__(config)
        self._feed = feed

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._feed.stop()
        super().handle_exit(sig, frame)


def serve(office: Office, *, log: Any) -> None:
    """Serve until SIGTERM or SIGINT, or until nobody knows whether a change stands.

    Raises:
        ConfigError: the address is taken or not of this computer.
        IngestError: what made it stop.
    """
    settings = office.settings
    listener = _listen(settings.host, settings.port)
    app = make_app(office)
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=GRACE_S,
        timeout_keep_alive=30,
    )
    server = _Server(config, app.state.live)

    def stop() -> None:
        server.should_exit = True
        app.state.live.stop()

    office.on_failure = stop
    host, port = listener.getsockname()[:2]
    log.info(events.PAGE_LISTENING, address=f"http://{host}:{port}/")
    server.run(sockets=[listener])
    if office.failure is not None:
        raise office.failure


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise ConfigError(
            f"web: {host} port {port}",
            error.strerror or str(error),
            "end what uses it, or name another with --host and --port",
        ) from error
    return listener
