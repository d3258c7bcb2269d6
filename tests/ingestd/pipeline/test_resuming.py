"""Captures left from before a stop: taken up again, and only what ends its reader set aside."""

import pytest

from ingestd.ledger.captures import find_captures, get_capture
from ingestd.ledger.store import content_sha256
from ingestd.sources.arrivals import Arrival
from tests.conftest import EXPORT_HEAD, GOOD_EXPORT, GOOD_ROWS, SHEET, Lab


def store(lab: Lab, text: str, *, source: str = "p1", name: str = "day.csv") -> int:
    data = text.encode()
    return lab.pipeline.store(
        Arrival(
            source=source,
            name=name,
            pieces=(data,),
            size=len(data),
            sha256=content_sha256(data),
            final=False,
            seen_at=lab.clock(),
        )
    )


@pytest.mark.parametrize(
    ("source", "name", "text"),
    [
        ("plan", "sheet.csv", SHEET),
        ("p1", "day.csv", EXPORT_HEAD[:20]),
        ("p1", "day.csv", "no form kn"),
    ],
)
def test_unfinished_file_is_not_blamed_for_any_number_of_restarts(
    lab: Lab, source: str, name: str, text: str
) -> None:
    ident = store(lab, text, source=source, name=name)
    for _ in range(10):
        assert lab.pipeline.resume() == 1
    assert get_capture(lab.ledger.conn, ident).state == "stored"
    assert lab.one("SELECT count(*) FROM attempts") == 0


def test_capture_whose_reading_ends_the_program_is_tried_so_often_and_no_more(lab: Lab) -> None:
    """Each start counts its attempt before it reads; here it never comes to the reading."""
    bad = store(lab, GOOD_EXPORT)
    tries = 1  # when it was stored
    while lab.pipeline._may_try(get_capture(lab.ledger.conn, bad)):
        tries += 1
    assert tries == lab.config.ledger.attempts
    capture = get_capture(lab.ledger.conn, bad)
    assert capture.state == "failed"
    assert f"{tries} times; set aside" in capture.reason


def test_rest_goes_on_after_one_was_set_aside(lab: Lab) -> None:
    bad = store(lab, GOOD_EXPORT)
    good = store(lab, EXPORT_HEAD + GOOD_ROWS[0], name="other.csv")
    for _ in range(lab.config.ledger.attempts):
        lab.pipeline._may_try(get_capture(lab.ledger.conn, bad))
    lab.pipeline.resume()
    assert get_capture(lab.ledger.conn, bad).state == "failed"
    assert get_capture(lab.ledger.conn, good).state == "read"


def test_set_aside_capture_is_replayed_by_a_person_once_the_program_is_mended(lab: Lab) -> None:
    from ingestd.pipeline.replay.replay import replay

    lab.load("sheet.csv", SHEET)
    bad = store(lab, GOOD_EXPORT)
    for _ in range(lab.config.ledger.attempts):
        lab.pipeline._may_try(get_capture(lab.ledger.conn, bad))
    report = replay(
        lab.ledger,
        lab.config,
        find_captures(lab.ledger.conn, state="failed"),
        reason="reader mended",
        by="ada",
        clock=lab.clock,
        log=lab.pipeline.log,
    )
    assert report.taken == 4
    assert lab.states() == {"W-1": ("accepted", "1280"), "W-2": ("accepted", "333")}
