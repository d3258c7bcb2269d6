"""What every request meets first and every answer carries: hosts, origins, sizes, headers.

A request for another host, one that changes something from another site, or one too large is
refused before any page sees it. Scripts, styles and pictures come from this server only.
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ingestd import events
from ingestd.web.context import PageContext

MOST_BYTES = 16 * 2**20  # of one request: the largest plan file twice
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:;"
    " font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none';"
    " frame-ancestors 'none'"
)
HEADERS: Mapping[str, str] = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
TLS_ONLY = "max-age=31536000"


class Guard:
    """ASGI middleware around the whole application."""

    def __init__(self, app: ASGIApp, context: PageContext) -> None:
        self._app = app
        self._office = context

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse what must not come in; dress what goes out."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        self._settle_caller(scope, headers)
        dressed = _dressed(send, is_tls=scope["scheme"] == "https")
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            status, words = refusal
            self._office.log.warning(
                events.REQUEST_REFUSED,
                path=scope["path"],
                client=_client(scope),
                status=status,
                why=words,
            )
            await PlainTextResponse(words + "\n", status)(scope, receive, dressed)
            return
        await self._app(scope, _limited(receive), dressed)

    def _settle_caller(self, scope: Scope, headers: Headers) -> None:
        """Believe a trusted proxy, and nobody else, about caller, scheme and account."""
        settings = self._office.settings
        state: dict[str, Any] = scope.setdefault("state", {})
        state["proxied_account"] = ""
        state["is_proxied"] = "x-forwarded-for" in headers
        if _client(scope) not in settings.proxy_addresses:
            return
        if settings.proxy_header:
            state["proxied_account"] = headers.get(settings.proxy_header, "")
        if headers.get("x-forwarded-proto", "").strip().lower() == "https":
            scope["scheme"] = "https"
        forwarded = headers.get("x-forwarded-for", "").rpartition(",")[2].strip()
        if forwarded:
            scope["client"] = (forwarded, 0)

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        host = _host_name(headers.get("host", ""))
        if host not in self._office.settings.names:
            return 421, "This server does not answer for that host name."
        if scope["method"] in SAFE_METHODS:
            return None
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != headers.get("host"):
            return 403, "This request comes from another site."
        if headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
            return 403, "This request comes from another site."
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BYTES:
            return 413, f"At most {MOST_BYTES >> 20} MiB can be sent at once."
        return None


def _client(scope: Scope) -> str:
    return scope["client"][0] if scope.get("client") else ""


def _host_name(host: str) -> str:
    """The name in a Host header, without port, lower case, without brackets."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _limited(receive: Receive) -> Receive:
    """The same request, ended where it is longer than it may be, whatever length it stated."""
    taken = 0

    async def take() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > MOST_BYTES:
            return {"type": "http.disconnect"}
        return message

    return take


def _dressed(send: Send, *, is_tls: bool) -> Send:
    async def dressed(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            if is_tls:
                headers["strict-transport-security"] = TLS_ONLY
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return dressed
