"""What the ledger keeps of delivery: the outbox, marks, states."""

import pytest

from ingestd.errors import CommitUnknown
from ingestd.ledger.deliveries import (
    delivered_up_to,
    delivery_standings,
    frontier_at,
    has_news,
    journal_size,
    mark_delivered,
    note_state,
    read_entries,
)
from ingestd.ledger.journal.merkle import Frontier
from ingestd.ledger.store import Ledger
from tests.ingestd.delivery.conftest import START, Site


def test_outbox_row_stands_or_falls_with_its_decision(site: Site) -> None:
    site.work(1, release_them=False)

    def decide_and_stop() -> None:
        with site.lab.ledger.change(at=START, by="rita") as change:
            for result in (1, 2):
                change.record(
                    "decided", result=result, version=1, standing="released", replaces=None,
                    reason="", state="released", stands=1, proposed=None,
                )  # fmt: skip
            change.flush()
            assert change.conn.execute("SELECT count(*) FROM outbox").fetchone() == (2,)
            raise CommitUnknown("ledger", "stopped before the commit")

    with pytest.raises(CommitUnknown):
        decide_and_stop()
    assert site.lab.one("SELECT count(*) FROM outbox") == 0
    assert site.lab.one("SELECT count(*) FROM results WHERE state = 'released'") == 0


def test_ledger_older_than_its_outbox_is_brought_up_to_date(site: Site) -> None:
    site.work(1)
    site.note("R1", 4, "dilution=1+4")
    site.release(site.result_of("W1b"), "sheet said 1+4")
    site.withdraw(site.result_of("W1a"), "mixed up")
    conn = site.lab.ledger.conn
    outbox = conn.execute("SELECT * FROM outbox ORDER BY entry, version").fetchall()
    assert len(outbox) == 5
    for table in ("outbox", "deliveries", "set_aside", "delivery_states"):
        conn.execute(f"DROP TABLE {table}")
    conn.execute("DELETE FROM _sqlite_migrations WHERE name = 'm0004_outbox'")
    again = Ledger.open(site.lab.config.ledger.path)
    assert again.conn.execute("SELECT * FROM outbox ORDER BY entry, version").fetchall() == outbox
    again.close()


def test_notes_of_delivery_alone_are_no_news(site: Site) -> None:
    ledger = site.lab.ledger
    size = journal_size(ledger.conn)
    assert has_news(ledger.conn, 0)
    assert not has_news(ledger.conn, size)
    with ledger.change(at=START, by="ingestd") as change:
        mark_delivered(change, "files", Frontier(), rows=1, set_aside={})
    assert not has_news(ledger.conn, size)
    with ledger.change(at=START, by="ingestd") as change:
        mark_delivered(change, "postgres", Frontier(), rows=1, set_aside={3: "refused"})
    assert has_news(ledger.conn, size), "the centre is to know of refusals"


def test_frontier_is_the_same_from_anywhere(site: Site) -> None:
    site.work(1)
    conn = site.lab.ledger.conn
    size = journal_size(conn)
    whole = frontier_at(conn, size, Frontier())
    assert whole.to_bytes() == site.lab.one("SELECT nodes FROM frontier")
    for part in (1, 7, size - 1, size):
        early = frontier_at(conn, part, Frontier())
        assert early.size == part
        assert frontier_at(conn, size, early) == whole
        assert frontier_at(conn, part, whole) == early
    assert frontier_at(conn, size + 5, Frontier()).size == size, "there are no more"


def test_entries_are_read_within_limits_but_at_least_one(site: Site) -> None:
    conn = site.lab.ledger.conn
    assert [e.index for e in read_entries(conn, 2, most=3, most_bytes=10**9)] == [2, 3, 4]
    assert [e.index for e in read_entries(conn, 2, most=3, most_bytes=1)] == [2]
    assert read_entries(conn, 10**6, most=3, most_bytes=1) == []


def test_state_is_one_printable_line_and_keeps_since_when(site: Site) -> None:
    ledger = site.lab.ledger
    note_state(ledger, "postgres", "waiting", "first\nline \x1b[31m\ud800 " + "x" * 500, at=START)
    (standing,) = delivery_standings(ledger.conn, ["postgres"])
    assert standing.problem.isprintable()
    assert standing.problem.startswith(r"first line \x1b[31m\ud800 xxx")
    since = standing.since
    note_state(ledger, "postgres", "waiting", "other", at=START.replace(year=2027))
    (standing,) = delivery_standings(ledger.conn, ["postgres"])
    assert (standing.problem, standing.since) == ("other", since)
    note_state(ledger, "postgres", "working", "", at=START.replace(year=2027))
    (standing,) = delivery_standings(ledger.conn, ["postgres"])
    assert standing.since.startswith("2027")


def test_target_never_tried_says_so(site: Site) -> None:
    (standing,) = delivery_standings(site.lab.ledger.conn, ["files"])
    assert (standing.state, standing.problem) == ("waiting", "nothing was tried yet")
    assert delivered_up_to(site.lab.ledger.conn, "files") == Frontier()
