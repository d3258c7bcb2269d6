"""Pages made from templates: what each of them carries, and texts that can play no tricks.

Everything that a template prints is escaped, and characters that do not show (controls, signs
that turn the writing direction) are printed as codes. Times are the laboratory's.
"""

import re
import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Annotated, Any
from urllib.parse import quote, urlencode
from zoneinfo import ZoneInfo

from fastapi import Query, Request
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ingestd import __version__
from ingestd.ledger.connection import Connection
from ingestd.web.access import Visitor, context_of
from ingestd.web.static_files import address_of, chart_marks
from ingestd.web.waiting_counts import waiting_counts

NAVIGATION = (
    ("bench", "Bench", "/bench"),
    ("waiting", "Waiting", "/waiting"),
    ("results", "Results", "/results"),
    ("points", "Points", "/points"),
    ("controls", "Controls", "/controls"),
    ("plan", "Plan", "/plan"),
    ("sources", "Sources", "/sources"),
    ("journal", "Journal", "/journal"),
)
MOST_TOLD = 5
HIGHEST_ID = 2**62  # SQLite holds no larger ones

Number = Annotated[int, Query(ge=0, le=HIGHEST_ID)]
"""A row's number, as an address names it."""

_INSTANT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:.]{8,15}Z")


def visible(value: Any) -> Any:
    """The text with every character that does not show written as its code."""
    if value is None:
        return ""
    if isinstance(value, Markup):
        return value
    if isinstance(value, Decimal):
        return format(value, "f")
    text = str(value)
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" else ascii(c)[1:-1] for c in text)


def noted_text(value: str, zone: ZoneInfo) -> str:
    """The kept value of an observation; instants, kept in UTC, as the laboratory's wall time."""
    if not _INSTANT.fullmatch(value):
        return value
    return datetime.fromisoformat(value).astimezone(zone).strftime("%Y-%m-%d %H:%M")


def to(path: str, **query: Any) -> str:
    """An address within this site; what is None or "" is left out."""
    kept = {key: value for key, value in query.items() if value not in (None, "")}
    return f"{path}?{urlencode(kept, quote_via=quote)}" if kept else path


@dataclass(frozen=True, slots=True)
class Told:
    """One message for the next page: `kind` is "done" or "refused"."""

    kind: str
    text: str


class Messages:
    """Messages that wait for a session's next page, in memory."""

    def __init__(self) -> None:
        self._waiting: dict[bytes, deque[Told]] = {}
        self._lock = threading.Lock()

    def tell(self, session: bytes, kind: str, text: str) -> None:
        """Leave a message."""
        with self._lock:
            if len(self._waiting) > 1000:
                self._waiting.clear()
            self._waiting.setdefault(session, deque(maxlen=MOST_TOLD)).append(Told(kind, text))

    def take(self, session: bytes) -> list[Told]:
        """The messages, which then are gone."""
        with self._lock:
            return list(self._waiting.pop(session, ()))


class Templates:
    """The templates of one site.

    Args:
        zone: the laboratory's.
    """

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone
        self.environment = Environment(
            loader=PackageLoader("ingestd.web"),
            autoescape=True,
            undefined=StrictUndefined,
            finalize=visible,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.filters |= {
            "when": self._when,
            "clock": self._clock,
            "words": lambda text: str(text).replace("_", " "),
            "local": self.local,
            "noted": self.noted,
        }
        self.environment.globals |= {
            "to": to,
            "static": address_of,
            "chart_marks": chart_marks,
            "navigation": NAVIGATION,
            "program_version": __version__,
        }

    def prepare(self) -> None:
        """Translate every template now, not while the first visitor waits."""
        for name in self.environment.list_templates():
            self.environment.get_template(name)

    def local(self, instant: datetime) -> str:
        """Wall time in the laboratory without zone, for charts."""
        return instant.astimezone(self._zone).strftime("%Y-%m-%d %H:%M:%S")

    def noted(self, value: str) -> str:
        """An observation's kept value as people write it: instants as local time."""
        return noted_text(value, self._zone)

    def _when(self, instant: datetime | None) -> Markup:
        return self._time(instant, "%Y-%m-%d %H:%M")

    def _clock(self, instant: datetime | None) -> Markup:
        return self._time(instant, "%H:%M")

    def _time(self, instant: datetime | None, how: str) -> Markup:
        if instant is None:
            return Markup("")
        local = instant.astimezone(self._zone)
        # Formatted as text, hundreds of times a page: nothing of a time needs to be escaped.
        return Markup(  # noqa: S704 - as said
            f'<time datetime="{instant.astimezone(UTC).isoformat(timespec="seconds")}"'
            f' title="{local:%Y-%m-%d %H:%M:%S %Z}">{local.strftime(how)}</time>'
        )

    def render(self, name: str, context: Mapping[str, Any]) -> str:
        """The page's text."""
        return self.environment.get_template(name).render(context)


def page(
    request: Request,
    conn: Connection,
    visitor: Visitor,
    template: str,
    *,
    here: str,
    title: str,
    status: int = 200,
    **shown: Any,
) -> Response:
    """A page for somebody signed in.

    Args:
        here: which entry of the navigation it belongs to, "" for none.
        shown: what its template asks for.
    """
    context = context_of(request)
    counts = waiting_counts(conn)
    messages: Messages = request.app.state.messages
    live = "x-ingestd-live" in request.headers
    text = templates_of(request).render(
        template,
        {
            "site": context.config.site.name,
            "zone": context.config.site.time_zone,
            "now": context.clock(),
            "visitor": visitor,
            "here": here,
            "title": title,
            "counts": counts,
            "told": [] if live else messages.take(visitor.session),
            "is_answer": request.method != "GET",  # to a form: it cannot be asked for again
            "address": request.url.path + (f"?{request.url.query}" if request.url.query else ""),
            **shown,
        },
    )
    return HTMLResponse(text, status)


def bare_page(request: Request, template: str, *, status: int = 200, **shown: Any) -> Response:
    """A page for anybody: sign-in and refusals."""
    context = context_of(request)
    text = templates_of(request).render(
        template, {"site": context.config.site.name, "visitor": None, "told": [], **shown}
    )
    return HTMLResponse(text, status)


def templates_of(request: Request) -> Templates:
    """The templates this application was made with."""
    templates: Templates = request.app.state.templates
    return templates


def tell(request: Request, visitor: Visitor, kind: str, text: str) -> None:
    """Leave a message for the visitor's next page."""
    messages: Messages = request.app.state.messages
    messages.tell(visitor.session, kind, text)


def back_to(address: str, otherwise: str = "/bench") -> Response:
    """Send the browser on to an address of this site, and to no other."""
    is_ours = address.startswith("/") and not address.startswith(("//", "/\\"))
    is_plain = is_ours and address.isprintable() and "\\" not in address
    return RedirectResponse(address if is_plain else otherwise, 303)


def day_from(text: str, otherwise: date) -> date:
    """The day an address names, or another where it names none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return otherwise


def escaped(text: str) -> Markup:
    """The text as it can stand in a page."""
    return escape(visible(text))
