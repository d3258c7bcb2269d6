"""The rows that decisions put into the outbox, in the decisions' own transaction."""

import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any

import orjson


def put_into_outbox(
    conn: sqlite3.Connection, entries: Iterable[tuple[int, dict[str, Any]]]
) -> None:
    """One row for each version that these decisions release, withdraw or supersede.

    Args:
        entries: (index, body) of `decided` entries, in journal order.
    """
    rows = []
    for index, body in entries:
        result, version, replaces = body["result"], body["version"], body["replaces"]
        if body["standing"] not in ("released", "withdrawn"):
            continue
        rows.append((index, result, version, body["standing"], replaces, None, body["at"]))
        if body["standing"] == "released" and replaces is not None:
            rows.append((index, result, replaces, "superseded", None, version, body["at"]))
    conn.executemany("INSERT INTO outbox VALUES (?, ?, ?, ?, ?, ?, ?)", rows)


def decisions(conn: sqlite3.Connection) -> Iterator[tuple[int, dict[str, Any]]]:
    """Every decision of the journal, in order."""
    for index, text in conn.execute("SELECT idx, body FROM journal ORDER BY idx"):
        if b'"kind":"decided"' in text:
            body = orjson.loads(text)
            if body["kind"] == "decided":
                yield index, body
