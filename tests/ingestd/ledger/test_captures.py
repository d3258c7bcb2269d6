"""Captures: bytes in, the same bytes out, whole or from anywhere, and never changed."""

from datetime import UTC, datetime
from pathlib import Path

import pysqlite3
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.errors import LedgerMismatch, Refused
from ingestd.ledger.captures import (
    MOST_FAULTS,
    close_capture,
    content_from,
    find_captures,
    get_capture,
    newest_of_content,
    newest_of_name,
    store_capture,
)
from ingestd.ledger.store import Ledger, content_sha256
from parsers.readings import Fault, Resume
from tests.conftest import Lab

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def store(
    ledger: Ledger, data: bytes | None, *, name: str = "a", continues: int | None = None
) -> int:
    with ledger.change(at=NOON, by="ingestd") as change:
        before = None if continues is None else get_capture(ledger.conn, continues)
        whole = (content_from(ledger.conn, before) if before else b"") + (data or b"")
        return store_capture(
            change,
            kind="export",
            source="s",
            name=name,
            arrived_at=NOON,
            data=data,
            size=len(whole) if data is not None else 10**9,
            sha256=content_sha256(whole),
            continues=before,
        )


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return Ledger.open(tmp_path / "x.db", site="Works", at=NOON)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=12), min_size=1, max_size=6), st.data())
def test_growing_file_gives_back_every_byte_from_anywhere(
    pieces: list[bytes], data: st.DataObject
) -> None:
    ledger = Ledger.open(":memory:", site="Works", at=NOON)
    ident: int | None = None
    whole = b""
    for piece in pieces:
        ident = store(ledger, piece, continues=ident)
        whole += piece
    assert ident is not None
    capture = get_capture(ledger.conn, ident)
    assert content_from(ledger.conn, capture) == whole
    start = data.draw(st.integers(0, len(whole)))
    assert content_from(ledger.conn, capture, start) == whole[start:]
    ledger.close()


def test_lineage_is_the_first_capture_of_the_file(ledger: Ledger) -> None:
    first = store(ledger, b"a")
    second = store(ledger, b"b", continues=first)
    third = store(ledger, b"c", continues=second)
    other = store(ledger, b"d")
    assert [get_capture(ledger.conn, i).lineage for i in (first, second, third, other)] == [
        first, first, first, other,
    ]  # fmt: skip


def test_newest_is_found_by_name_and_by_content(ledger: Ledger) -> None:
    store(ledger, b"x", name="a")
    second = store(ledger, b"y", name="a")
    third = store(ledger, b"x", name="b")
    by_name = newest_of_name(ledger.conn, "s", "a")
    by_content = newest_of_content(ledger.conn, "s", content_sha256(b"x"))
    assert by_name is not None
    assert by_content is not None
    assert (by_name.id, by_content.id) == (second, third)
    assert newest_of_name(ledger.conn, "t", "a") is None
    assert newest_of_content(ledger.conn, "t", content_sha256(b"x")) is None


def test_over_the_limit_has_size_and_hash_and_no_bytes(ledger: Ledger) -> None:
    ident = store(ledger, None)
    capture = get_capture(ledger.conn, ident)
    assert (capture.oversize, capture.archived, capture.size) == (True, False, 10**9)
    with pytest.raises(Refused, match="over the size limit"):
        content_from(ledger.conn, capture)


def test_bytes_that_do_not_fit_their_hash_are_not_given_out(ledger: Ledger) -> None:
    ident = store(ledger, b"640")
    ledger.conn.execute("DROP TRIGGER captures_never_change")
    ledger.conn.execute("UPDATE captures SET bytes = x'363431'")
    with pytest.raises(LedgerMismatch, match="do not fit its hash"):
        content_from(ledger.conn, get_capture(ledger.conn, ident))


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE captures SET bytes = x'00'",
        "UPDATE captures SET bytes = NULL",
        "UPDATE captures SET arrived_at = '2020'",
        "DELETE FROM captures",
        "INSERT OR REPLACE INTO captures SELECT * FROM captures",
        (
            "INSERT INTO captures SELECT * FROM captures WHERE true"
            " ON CONFLICT DO UPDATE SET bytes = x'00'"
        ),
    ],
)
def test_capture_is_never_rewritten(ledger: Ledger, statement: str) -> None:
    store(ledger, b"640")
    with pytest.raises(pysqlite3.IntegrityError, match="never"):
        ledger.conn.execute(statement)
    assert ledger.conn.execute("SELECT bytes FROM captures").fetchone() == (b"640",)


def test_state_where_to_go_on_and_faults_are_kept(ledger: Ledger) -> None:
    ident = store(ledger, b"640")
    fault = Fault(offset=2, line=1, field="value", expected="a number", found="x\x00")
    with ledger.change(at=NOON, by="ingestd") as change:
        close_capture(
            change,
            get_capture(ledger.conn, ident),
            state="partly_read",
            form="f",
            complete_to=2,
            resume=Resume(offset=2, line=1, state={"head": "a,b"}),
            readings=3,
            faults=[fault] * (MOST_FAULTS + 5),
        )
    capture = get_capture(ledger.conn, ident)
    assert (capture.state, capture.complete_to, capture.readings) == ("partly_read", 2, 3)
    assert capture.resume == Resume(offset=2, line=1, state={"head": "a,b"})
    assert len(capture.faults) == MOST_FAULTS
    assert capture.faults[0]["found"] == "x\x00"
    assert capture.reason == "5 more faults are not listed"


def test_captures_are_found_by_state_source_time_kind_and_number(lab: Lab) -> None:
    conn = lab.ledger.conn
    lab.arrive("one\n", name="one.txt")
    middle = lab.clock()
    lab.arrive("two\n", name="two.txt")
    assert [c.name for c in find_captures(conn, state="failed")] == ["one.txt", "two.txt"]
    assert [c.name for c in find_captures(conn, source="p1", newest=1)] == ["two.txt"]
    assert [c.name for c in find_captures(conn, source="p1", since=middle)] == ["two.txt"]
    assert {c.kind for c in find_captures(conn, kinds=("plan",))} == {"plan"}
    assert [c.id for c in find_captures(conn, idents=(2, 1))] == [1, 2]


def test_capture_that_does_not_exist_is_said(ledger: Ledger) -> None:
    with pytest.raises(Refused, match="capture 9"):
        get_capture(ledger.conn, 9)
