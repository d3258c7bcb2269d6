"""The page's process: the application under uvicorn, ended cleanly."""

import signal
import socket
from types import FrameType
from typing import Any

import uvicorn
from fastapi import FastAPI

from ingestd import events
from ingestd.errors import ConfigError
from ingestd.web.app import make_app
from ingestd.web.context import PageContext
from ingestd.web.live import LiveFeed
from ingestd.web.pages import Templates

GRACE_S = 3


class PageServer(uvicorn.Server):
    """Ends the live streams first: they would otherwise never end by themselves."""

    def __init__(self, app: FastAPI) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=GRACE_S,
                timeout_keep_alive=30,
            )
        )
        self._feed: LiveFeed = app.state.live

    def end(self) -> None:
        """End soon; may be called from any thread."""
        self._feed.stop()
        self.should_exit = True

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:  # noqa: ARG002 - uvicorn's interface
        """End the streams and stop; asked again from the keyboard, at once.

        uvicorn would send itself the signal once more at the end: a clean stop is no failure.
        """
        self._feed.stop()
        self.force_exit = self.should_exit and sig == signal.SIGINT
        self.should_exit = True


def serve(context: PageContext, *, log: Any) -> None:
    """Serve until SIGTERM or SIGINT, or until nobody knows whether a change stands.

    Raises:
        ConfigError: the address is taken or not of this computer.
        IngestError: what made it stop.
    """
    settings = context.settings
    listener = listen_on(settings.host, settings.port)
    app = make_app(context)
    templates: Templates = app.state.templates
    templates.prepare()
    server = PageServer(app)

    context.on_failure = server.end
    host, port = listener.getsockname()[:2]
    log.info(events.PAGE_LISTENING, address=f"http://{host}:{port}/")
    server.run(sockets=[listener])
    if context.failure is not None:
        raise context.failure


def listen_on(host: str, port: int) -> socket.socket:
    """A socket that listens at an address of this computer; port 0: any that is free.

    Raises:
        ConfigError: the address is taken or not of this computer.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Connections inherit it. An answer's head and body are two packets; without it the second
        # waits for the first to be acknowledged, which the other side puts off for 40 ms.
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        listener.bind((host, port))
        listener.listen(128)  # who comes before the page is up waits for it
    except OSError as error:
        listener.close()
        raise ConfigError(
            f"web: {host} port {port}",
            error.strerror or str(error),
            "end what uses it, or name another with --host and --port",
        ) from error
    return listener
