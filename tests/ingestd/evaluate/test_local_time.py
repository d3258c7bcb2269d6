"""Wall times against instants worked out by hand from the rules of summer time.

Sources: Directive 2000/84/EC (clocks change at 01:00 UTC on the last Sundays of March and
October); Energy Policy Act of 2005 (02:00 local time on the second Sunday of March and the first
of November), both from memory; the instants computed from them.
"""

from datetime import UTC, date, datetime, timedelta, timezone
from datetime import time as clock
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.local_time import local_day, resolve_local_time

BERLIN, NEW_YORK, KATHMANDU = "Europe/Berlin", "America/New_York", "Asia/Kathmandu"
LATER = datetime(2030, 1, 1, tzinfo=UTC)


def utc(year: int, month: int, day: int, *time: int) -> datetime:
    return datetime.combine(date(year, month, day), clock(*time), UTC)


def wall_time(year: int, month: int, day: int, *time: int) -> datetime:
    """What an instrument prints: no zone."""
    return utc(year, month, day, *time).replace(tzinfo=None)


@pytest.mark.parametrize(
    ("wall", "zone", "instant"),
    [
        (wall_time(2026, 1, 15, 8, 0), BERLIN, utc(2026, 1, 15, 7, 0)),
        (wall_time(2026, 7, 15, 8, 0), BERLIN, utc(2026, 7, 15, 6, 0)),
        (wall_time(2026, 3, 29, 1, 59, 59), BERLIN, utc(2026, 3, 29, 0, 59, 59)),
        (wall_time(2026, 3, 29, 3, 0), BERLIN, utc(2026, 3, 29, 1, 0)),
        (wall_time(2026, 10, 25, 1, 59), BERLIN, utc(2026, 10, 24, 23, 59)),
        (wall_time(2026, 10, 25, 3, 0), BERLIN, utc(2026, 10, 25, 2, 0)),
        (wall_time(2026, 11, 1, 2, 0), NEW_YORK, utc(2026, 11, 1, 7, 0)),
        (wall_time(2026, 3, 2, 12, 45), KATHMANDU, utc(2026, 3, 2, 7, 0)),
    ],
)
def test_unique_wall_time_is_one_instant(wall: datetime, zone: str, instant: datetime) -> None:
    assert resolve_local_time(wall, zone, LATER) == (instant, "")


def test_repeated_hour_before_its_second_pass_is_the_first() -> None:
    wall = wall_time(2026, 10, 25, 2, 30)
    # Read at 00:30 UTC, arrived seconds later: the second pass (01:30 UTC) is still to come.
    assert resolve_local_time(wall, BERLIN, utc(2026, 10, 25, 0, 30, 5)) == (
        utc(2026, 10, 25, 0, 30),
        "",
    )


def test_repeated_hour_after_both_passes_is_ambiguous() -> None:
    wall = wall_time(2026, 10, 25, 2, 30)
    instant, note = resolve_local_time(wall, BERLIN, utc(2026, 10, 25, 1, 31))
    assert note == "ambiguous"
    assert instant == utc(2026, 10, 25, 0, 30)


def test_repeated_hour_that_lies_ahead_of_the_arrival_is_ambiguous() -> None:
    wall = wall_time(2026, 10, 25, 2, 30)
    assert resolve_local_time(wall, BERLIN, utc(2026, 10, 24, 12, 0))[1] == "ambiguous"


def test_clock_a_little_ahead_still_settles_the_repeated_hour() -> None:
    wall = wall_time(2026, 10, 25, 2, 30)
    assert resolve_local_time(wall, BERLIN, utc(2026, 10, 25, 0, 27))[1] == ""


def test_skipped_hour_is_nonexistent_and_the_arrival_stands_for_it() -> None:
    wall = wall_time(2026, 3, 29, 2, 30)
    arrival = utc(2026, 3, 29, 1, 31)
    assert resolve_local_time(wall, BERLIN, arrival) == (arrival, "nonexistent")


def test_no_printed_time_is_missing_and_the_arrival_stands_for_it() -> None:
    assert resolve_local_time(None, BERLIN, LATER) == (LATER, "missing")


def test_time_with_its_own_offset_is_taken_at_its_word() -> None:
    wall = datetime(2026, 10, 25, 2, 30, tzinfo=timezone(timedelta(hours=1)))
    assert resolve_local_time(wall, NEW_YORK, LATER) == (utc(2026, 10, 25, 1, 30), "")


def test_local_day_is_that_of_the_zone_and_not_of_utc() -> None:
    assert local_day(utc(2026, 3, 1, 23, 30), BERLIN).date().isoformat() == "2026-03-02"


@given(
    st.datetimes(min_value=wall_time(2020, 1, 1), max_value=wall_time(2035, 1, 1)),
    st.sampled_from([BERLIN, NEW_YORK, KATHMANDU, "Australia/Lord_Howe", "UTC"]),
)
def test_settled_instant_shows_the_printed_wall_time(wall: datetime, zone: str) -> None:
    instant, note = resolve_local_time(wall, zone, datetime(2040, 1, 1, tzinfo=UTC))
    if note != "nonexistent":
        assert instant.astimezone(ZoneInfo(zone)).replace(tzinfo=None) == wall


@given(st.sampled_from([BERLIN, NEW_YORK, "Australia/Lord_Howe"]), st.integers(2021, 2035))
def test_each_year_notes_as_much_repeated_as_skipped_time(zone: str, year: int) -> None:
    start = wall_time(year, 1, 1)
    walls = [start + timedelta(minutes=30 * step) for step in range(365 * 48)]
    offsets = [w.replace(tzinfo=ZoneInfo(zone)).utcoffset() for w in walls]
    changes = [w for (a, b), w in zip(pairwise(offsets), walls[1:], strict=True) if a != b]
    near = [c + timedelta(minutes=30 * step) for c in changes for step in range(-6, 7)]
    notes = [resolve_local_time(w, zone, datetime(2040, 1, 1, tzinfo=UTC))[1] for w in near]
    assert notes.count("ambiguous") == notes.count("nonexistent") > 0
