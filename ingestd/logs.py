"""How events are written: readable on a terminal, one JSON object a line otherwise."""

import logging
import sys
from typing import Any, TextIO

import structlog


def make_log(stream: TextIO | None = None, *, level: int = logging.INFO) -> Any:
    """A structlog logger for the whole program, passed on explicitly.

    Args:
        stream: where events go; standard error by default.
        level: lowest level written.
    """
    out = stream or sys.stderr
    readable = out.isatty()
    render: Any = (
        structlog.dev.ConsoleRenderer(colors=True)
        if readable
        else structlog.processors.JSONRenderer(sort_keys=False, ensure_ascii=True)
    )
    return structlog.wrap_logger(
        structlog.PrintLogger(out),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            render,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        cache_logger_on_first_use=True,
    )
