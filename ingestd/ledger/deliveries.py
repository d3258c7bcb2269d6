"""What the ledger knows of delivery: how far each target is, and what is still to be sent."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.merkle import Frontier
from ingestd.ledger.store import Change, Ledger
from ingestd.times import stamp

LEAVES = 50_000  # read at a time
PROBLEM_LENGTH = 300  # characters kept of what a target said


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A journal entry as stored."""

    index: int
    text: bytes
    leaf: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxRow:
    """A version that a decision touched, with the entries of decision and judgement."""

    entry: int
    result: int
    version: int
    standing: str
    replaces: int | None
    replaced_by: int | None
    judged: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryStanding:
    """How delivery to one target fares.

    Attributes:
        state: working, waiting (cannot be reached, tries again), refused (a person is needed).
        up_to: every journal entry below is there or set aside; `behind` entries are not.
        results_behind: released, withdrawn and superseded versions among those.
        oldest: when the oldest of these was decided, "" if there is none.
        problem, since: what the target said last, and since when it stands so.
    """

    target: str
    state: str
    up_to: int
    behind: int
    results_behind: int
    oldest: str
    delivered: int
    set_aside: int
    problem: str
    since: str


def delivered_up_to(conn: Connection, target: str) -> Frontier:
    """The frontier of the journal as far as a target has it; empty if it has nothing."""
    row = conn.execute("SELECT nodes FROM deliveries WHERE target = ?", (target,)).fetchone()
    return Frontier.from_bytes(row[0]) if row else Frontier()


def journal_size(conn: Connection) -> int:
    """Number of committed journal entries."""
    return int(conn.execute("SELECT size FROM frontier").fetchone()[0])


def frontier_at(conn: Connection, size: int, known: Frontier) -> Frontier:
    """The frontier of the journal's first `size` entries, from a known earlier one if it is."""
    frontier = known if known.size <= size else Frontier()
    while frontier.size < size:
        stop = min(size, frontier.size + LEAVES)
        rows = conn.execute(
            "SELECT leaf FROM journal WHERE idx >= ? AND idx < ? ORDER BY idx",
            (frontier.size, stop),
        )
        before = frontier.size
        frontier = frontier.extend(leaf for (leaf,) in rows)
        if frontier.size == before:
            break
    return frontier


def read_entries(conn: Connection, start: int, *, most: int, most_bytes: int) -> list[Entry]:
    """Committed entries from an index on, at least one if there is one."""
    found: list[Entry] = []
    size = 0
    for index, text, leaf in conn.execute(
        "SELECT idx, body, leaf FROM journal WHERE idx >= ? ORDER BY idx LIMIT ?", (start, most)
    ):
        size += len(text)
        if found and size > most_bytes:
            break
        found.append(Entry(index=index, text=text, leaf=leaf))
    return found


def entries_of(conn: Connection, indices: Sequence[int]) -> list[Entry]:
    """These entries, in the order asked for."""
    return [
        Entry(index=index, text=text, leaf=leaf)
        for wanted in indices
        for index, text, leaf in conn.execute(
            "SELECT idx, body, leaf FROM journal WHERE idx = ?", (wanted,)
        )
    ]


def outbox_rows(conn: Connection, start: int, stop: int) -> list[OutboxRow]:
    """What decisions from entry `start` to before `stop` put into the outbox."""
    return [_outbox_row(row) for row in conn.execute(f"{_OUTBOX} {_BETWEEN}", (start, stop))]


def outbox_times(conn: Connection, start: int, stop: int) -> Iterator[str]:
    """When the decisions from entry `start` to before `stop` were made, one a row, as stamps."""
    rows = conn.execute("SELECT at FROM outbox WHERE entry >= ? AND entry < ?", (start, stop))
    return (at for (at,) in rows)


def outbox_in_time(
    conn: Connection, since: datetime, until: datetime, *, below: int
) -> Iterator[OutboxRow]:
    """What was decided in a span of time, as far as entries below an index go."""
    rows = conn.execute(
        f"{_OUTBOX} WHERE o.at >= ? AND o.at < ? AND o.entry < ? ORDER BY o.entry, o.version",
        (stamp(since), stamp(until), below),
    )
    return map(_outbox_row, rows)


_OUTBOX = (
    "SELECT o.entry, o.result, o.version, o.standing, o.replaces, o.replaced_by, v.entry"
    " FROM outbox o JOIN result_versions v ON v.result = o.result AND v.version = o.version"
)
_BETWEEN = "WHERE o.entry >= ? AND o.entry < ? ORDER BY o.entry, o.version"


def _outbox_row(row: Sequence[Any]) -> OutboxRow:
    return OutboxRow(
        entry=row[0], result=row[1], version=row[2], standing=row[3], replaces=row[4],
        replaced_by=row[5], judged=row[6],
    )  # fmt: skip


def has_news(conn: Connection, start: int) -> bool:
    """Whether an entry from `start` on is more than a note that all went well in delivery.

    Such notes go along with what comes next; else each would ask for another one.
    """
    row = conn.execute(
        "SELECT 1 FROM journal WHERE idx >= ? AND (instr(body, ?) = 0 OR instr(body, ?) = 0"
        " OR instr(body, ?) = 0) LIMIT 1",
        (start, b'"kind":"delivered"', b'"set_aside":[]', b'"cleared":[]'),
    ).fetchone()
    return row is not None


def set_aside_entries(conn: Connection, target: str) -> dict[int, str]:
    """Entries whose rows a target refused, with what it said."""
    rows = conn.execute(
        "SELECT about, problem FROM set_aside WHERE target = ? ORDER BY about", (target,)
    )
    return dict(rows.fetchall())


def mark_delivered(
    change: Change,
    target: str,
    frontier: Frontier,
    *,
    rows: int,
    set_aside: Mapping[int, str],
    cleared: Sequence[int] = (),
) -> None:
    """Journal that a target has every entry below the frontier's size.

    Args:
        rows: how many rows this delivery added there.
        set_aside: entries whose rows it refused, with what it said.
        cleared: entries set aside before that are there now.
    """
    change.record(
        "delivered",
        target=target,
        up_to=frontier.size,
        nodes=frontier.to_bytes().hex(),
        rows=rows,
        set_aside=[
            {"about": about, "problem": _plain(problem)} for about, problem in set_aside.items()
        ],
        cleared=list(cleared),
    )


def note_state(ledger: Ledger, target: str, state: str, problem: str, *, at: datetime) -> None:
    """Keep how delivery fares, for pages and commands; written only when it changes."""
    said = (state, _plain(problem))
    kept = ledger.conn.execute(
        "SELECT state, problem FROM delivery_states WHERE target = ?", (target,)
    ).fetchone()
    if kept == said:
        return
    with ledger.change(at=at, by="ingestd") as change:
        change.conn.execute(
            "INSERT INTO delivery_states VALUES (?, ?, ?, ?) ON CONFLICT (target) DO UPDATE SET"
            " since = CASE WHEN state = excluded.state THEN since ELSE excluded.since END,"
            " state = excluded.state, problem = excluded.problem",
            (target, *said, stamp(at)),
        )


def _plain(text: str) -> str:
    """One printable line of at most PROBLEM_LENGTH characters."""
    line = " ".join(text.split())[:PROBLEM_LENGTH]
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in line)


def delivery_standings(conn: Connection, targets: Sequence[str]) -> list[DeliveryStanding]:
    """How delivery to each of these targets fares, as far as the ledger knows."""
    size = journal_size(conn)
    found = []
    for target in targets:
        row = conn.execute(
            "SELECT up_to, rows FROM deliveries WHERE target = ?", (target,)
        ).fetchone()
        up_to, rows = row or (0, 0)
        state = conn.execute(
            "SELECT state, problem, since FROM delivery_states WHERE target = ?", (target,)
        ).fetchone() or ("waiting", "nothing was tried yet", "")
        behind, oldest = conn.execute(
            "SELECT count(*), min(at) FROM outbox WHERE entry >= ?", (up_to,)
        ).fetchone()
        aside = conn.execute(
            "SELECT count(*) FROM set_aside WHERE target = ?", (target,)
        ).fetchone()[0]
        found.append(
            DeliveryStanding(
                target=target,
                state=state[0],
                up_to=up_to,
                behind=size - up_to if has_news(conn, up_to) else 0,
                results_behind=behind,
                oldest=oldest or "",
                delivered=rows,
                set_aside=aside,
                problem=state[1],
                since=state[2],
            )
        )
    return found
