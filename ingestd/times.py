"""Instants as text and back: fixed width, UTC, so that text order is time order."""

from datetime import UTC, datetime
from functools import lru_cache


@lru_cache(maxsize=4096)  # the instants of one arrival and one run are written again and again
def stamp(instant: datetime) -> str:
    """An aware instant as `2026-03-02T08:15:00.000000Z`."""
    return f"{instant.astimezone(UTC).isoformat(timespec='microseconds')[:-6]}Z"


@lru_cache(maxsize=4096)
def instant(text: str) -> datetime:
    """The aware instant that `stamp` wrote."""
    return datetime.fromisoformat(text)
