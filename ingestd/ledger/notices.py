"""What operators have been told of: so that each matter is told once by each way."""

from collections.abc import Collection, Iterable
from datetime import datetime

from ingestd.ledger.connection import Connection
from ingestd.times import stamp


def told_matters(conn: Connection, channel: str) -> set[str]:
    """Keys of matters told by this way and not forgotten."""
    rows = conn.execute("SELECT matter FROM notices WHERE channel = ?", (channel,))
    return {matter for (matter,) in rows}


def unsure_matters(conn: Connection, channel: str) -> list[str]:
    """Keys of matters of which nobody knows whether the notice arrived."""
    rows = conn.execute(
        "SELECT matter FROM notices WHERE channel = ? AND is_sure = 0 ORDER BY matter", (channel,)
    )
    return [matter for (matter,) in rows]


def mark_telling(conn: Connection, channel: str, matters: Iterable[str], at: datetime) -> None:
    """Note that these are being told, before it is done: whatever happens, not a second time."""
    conn.executemany(
        "INSERT OR REPLACE INTO notices VALUES (?, ?, ?, 0, NULL)",
        [(channel, matter, stamp(at)) for matter in matters],
    )


def mark_told(conn: Connection, channel: str, matters: Iterable[str]) -> None:
    """Note that these have been told for sure."""
    conn.executemany(
        "UPDATE notices SET is_sure = 1 WHERE channel = ? AND matter = ?",
        [(channel, matter) for matter in matters],
    )


def unmark(conn: Connection, channel: str, matters: Iterable[str]) -> None:
    """Forget these: they were certainly not told."""
    conn.executemany(
        "DELETE FROM notices WHERE channel = ? AND matter = ?",
        [(channel, matter) for matter in matters],
    )


def note_gone(
    conn: Connection, present: Collection[str], *, at: datetime, forget_before: datetime
) -> None:
    """Keep which matters are gone, and forget those gone before a moment.

    Args:
        present: keys of all matters there are now; one that comes back soon is the same one.
    """
    rows = conn.execute("SELECT DISTINCT matter, gone_since IS NULL FROM notices").fetchall()
    gone = [(stamp(at), matter) for matter, lasts in rows if lasts and matter not in present]
    back = [(matter,) for matter, lasts in rows if not lasts and matter in present]
    conn.executemany("UPDATE notices SET gone_since = ? WHERE matter = ?", gone)
    conn.executemany("UPDATE notices SET gone_since = NULL WHERE matter = ?", back)
    conn.execute("DELETE FROM notices WHERE gone_since < ?", (stamp(forget_before),))


def is_gone_noted(conn: Connection, present: Collection[str], *, forget_before: datetime) -> bool:
    """Whether `note_gone` would change nothing."""
    rows = conn.execute("SELECT DISTINCT matter, gone_since FROM notices").fetchall()
    return all(
        (gone is None) == (matter in present) and (gone is None or gone >= stamp(forget_before))
        for matter, gone in rows
    )
