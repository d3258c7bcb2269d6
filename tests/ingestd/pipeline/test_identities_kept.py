"""Identities of readings are kept as the ledger's first entry says, for as long as it lives."""

from collections.abc import Callable

import pytest

from ingestd.audit.verify import verify_ledger
from ingestd.ledger import store
from ingestd.ledger.captures import find_captures
from ingestd.ledger.connection import open_scratch
from ingestd.ledger.fold import fold
from ingestd.ledger.work import identities_kept
from ingestd.model import GROUPED, SCATTERED
from ingestd.pipeline.identify import NEIGHBOURS_BYTES
from ingestd.pipeline.replay.replay import replay
from tests.conftest import EXPORT_HEAD, SHEET, Lab, row


def digests(lab: Lab) -> list[bytes]:
    found = lab.ledger.conn.execute("SELECT identity FROM readings ORDER BY id").fetchall()
    return [identity for (identity,) in found]


def export(*numbers: int) -> str:
    return EXPORT_HEAD + "".join(row(n, f"W-{n}", "333") for n in numbers)


@pytest.fixture(params=[SCATTERED, GROUPED])
def kept(
    request: pytest.FixtureRequest, make_lab: Callable[..., Lab], monkeypatch: pytest.MonkeyPatch
) -> Lab:
    """A ledger of either kind, with the same readings."""
    with monkeypatch.context() as made:
        made.setattr(store, "GROUPED", request.param)
        lab = make_lab()
    assert identities_kept(lab.ledger.conn) == request.param
    lab.arrive(export(123001, 123002, 123003, 987654))
    return lab


def test_same_readings_again_are_known_and_another_digit_contradicts(kept: Lab) -> None:
    kept.arrive(export(123001, 123002, 123003, 987654) + "\n", name="again.csv")
    assert kept.one("SELECT count(*) FROM readings") == 4
    kept.arrive(EXPORT_HEAD + row(123002, "W-123002", "334"), name="other.csv")
    assert kept.one("SELECT count(*) FROM readings WHERE conflict = 1") == 2
    assert verify_ledger(kept.ledger.conn, rebuild=True).faults == []


def test_replay_finds_nothing_changed(kept: Lab) -> None:
    kept.load("sheet.csv", SHEET)
    captures = find_captures(kept.ledger.conn, source="p1")
    report = replay(
        kept.ledger, kept.config, captures,
        reason="same", by="ada", clock=kept.clock, log=kept.pipeline.log,
    )  # fmt: skip
    assert report.is_empty


def test_grouped_digests_begin_with_what_neighbours_share(kept: Lab) -> None:
    first, second, third, far = digests(kept)
    heads = {one[:NEIGHBOURS_BYTES] for one in (first, second, third)}
    assert len({first, second, third, far}) == 4
    assert {len(one) for one in digests(kept)} == {16}
    is_grouped = identities_kept(kept.ledger.conn) == GROUPED
    assert (len(heads) == 1) is is_grouped
    assert far[:NEIGHBOURS_BYTES] not in heads


def test_ledger_that_does_not_say_is_of_the_older_kind() -> None:
    conn = open_scratch()
    assert identities_kept(conn) == SCATTERED
    body = {"kind": "ledger_made", "site": "Old works"}
    fold(conn, [(0, {**body, "identities": GROUPED})])
    assert identities_kept(conn) == GROUPED
    fold(conn, [(0, body)])
    assert identities_kept(conn) == SCATTERED
    conn.close()
