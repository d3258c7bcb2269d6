"""How much waits for a hand, counted so that it costs the same in a ledger of any size."""

from dataclasses import dataclass

from ingestd.ledger.captures import UNFINISHED
from ingestd.ledger.connection import Connection

MOST = 1000  # counted no further


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingCounts:
    """What waits, each at most MOST."""

    failed_captures: int
    readings: int
    held: int
    proposed: int

    @property
    def total(self) -> int:
        """All of it."""
        return self.failed_captures + self.readings + self.held + self.proposed

    @property
    def text(self) -> str:
        """The total as a badge prints it."""
        return f"{MOST - 1}+" if self.total >= MOST else str(self.total)


_WHAT = (
    f"SELECT 1 FROM capture_states WHERE {UNFINISHED} AND state = 'failed'",  # noqa: S608 - fixed texts
    "SELECT 1 FROM waiting",
    "SELECT 1 FROM results WHERE state = 'held'",
    "SELECT 1 FROM results WHERE proposed IS NOT NULL",
)


def waiting_counts(conn: Connection) -> WaitingCounts:
    """What waits at this moment."""
    found = [
        int(conn.execute(f"SELECT count(*) FROM ({what} LIMIT {MOST})").fetchone()[0])  # noqa: S608 - fixed texts
        for what in _WHAT
    ]
    return WaitingCounts(
        failed_captures=found[0], readings=found[1], held=found[2], proposed=found[3]
    )
