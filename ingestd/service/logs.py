"""How events are written: readable on a terminal, one JSON object a line otherwise.

Under systemd each line begins with its syslog priority, which journald takes off and keeps. A
fault that repeats is written a few times, then counted and summarised.
"""

import logging
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TextIO

import structlog

from ingestd import events

BURST = 10  # of one event of one source within WINDOW_S are written, more are counted
WINDOW_S = 300.0
_MOST_KEYS = 1000
# Who an event is about: what repeats for one does not silence another.
_ABOUT = ("source", "target", "port", "path", "channel")
_CALM_LEVELS = ("warning", "error", "critical")
# Source: sd-daemon(3), SD_WARNING and the like; the numbers are those of syslog (RFC 5424, 6.2.1).
_PRIORITY = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}

Event = dict[str, Any]


@dataclass(slots=True)
class _Span:
    """How often something was said since a moment."""

    begun: float
    said: int = 0
    kept_back: int = 0


class Calm:
    """Keeps back what repeats: a structlog processor.

    Args:
        clock: seconds that only go forward.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._spans: dict[tuple[str, ...], _Span] = {}
        self._lock = threading.Lock()

    def __call__(self, _logger: object, level: str, event: Event) -> Event:
        """The event; DropEvent for one too many."""
        if level not in _CALM_LEVELS or event.get("event") == events.EVENTS_SUMMARISED:
            return event
        key = (str(event.get("event")), *(str(event.get(name, "")) for name in _ABOUT))
        now = self._clock()
        with self._lock:
            if len(self._spans) >= _MOST_KEYS and key not in self._spans:
                return event
            span = self._spans.setdefault(key, _Span(now))
            span.said += 1
            if span.said > BURST:
                span.kept_back += 1
                raise structlog.DropEvent
        return event

    def summarise(self, log: Any, *, everything: bool = False) -> None:
        """Say how often what was kept back came, once its span is over; call now and then."""
        now = self._clock()
        with self._lock:
            over = {
                key: span
                for key, span in self._spans.items()
                if everything or now - span.begun >= WINDOW_S
            }
            for key in over:
                del self._spans[key]
        for (event, *about), span in over.items():
            if span.kept_back:
                log.warning(
                    events.EVENTS_SUMMARISED,
                    of=event,
                    more=span.kept_back,
                    span_s=round(now - span.begun, 1),
                    **{name: value for name, value in zip(_ABOUT, about, strict=True) if value},
                )


def is_journal(stream: TextIO, environment: Mapping[str, str] = os.environ) -> bool:
    """Whether this stream leads to journald.

    Source: systemd.exec(5), JOURNAL_STREAM: device and inode number of the stream.
    """
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environment.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}"


def make_log(
    stream: TextIO | None = None, *, level: int = logging.INFO, calm: Calm | None = None
) -> Any:
    """A structlog logger for the whole program, passed on explicitly.

    Args:
        stream: where events go; standard error by default.
        level: lowest level written.
        calm: keeps back what repeats; everything is written without it.
    """
    out = stream or sys.stderr
    render: Any = (
        structlog.dev.ConsoleRenderer(colors=True)
        if out.isatty()
        else structlog.processors.JSONRenderer(sort_keys=False, ensure_ascii=True)
    )
    processors: list[Any] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        render,
    ]
    if calm is not None:
        processors.insert(0, calm)
    if is_journal(out):
        processors.append(_with_priority)
    return structlog.wrap_logger(
        structlog.PrintLogger(out),
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(level),
        cache_logger_on_first_use=True,
    )


def _with_priority(_logger: object, level: str, line: str) -> str:
    return f"<{_PRIORITY.get(level, 6)}>{line}"
