import csv
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.model import SitePolicy
from ingestd.plan.faults import ValueRefused
from ingestd.plan.instants import (
    find_zone,
    from_local,
    instant_text,
    local_text,
    parse_instant,
    policy_zone,
)
from tests.ingestd.plan.laboratory import DATA

with (DATA / "instants.csv").open(encoding="utf-8", newline="") as _file:
    ROWS = list(csv.DictReader(_file, strict=True))

ZONES = [ZoneInfo(name) for name in ("Europe/Vienna", "Australia/Lord_Howe", "Asia/Kathmandu")]
instants = st.datetimes(
    min_value=datetime.fromisoformat("1990-01-01"),
    max_value=datetime.fromisoformat("2037-12-31"),
    timezones=st.just(UTC),
)


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["utc"]], ids=lambda row: str(row["id"])
)
def test_written_time_is_its_instant(row: dict[str, str]) -> None:
    got = parse_instant(row["text"], ZoneInfo(row["zone"]))
    assert instant_text(got) == row["utc"], row["source"]
    assert got.tzinfo is UTC


@pytest.mark.parametrize(
    "row", [row for row in ROWS if not row["utc"]], ids=lambda row: str(row["id"])
)
def test_time_that_is_none_or_two_is_refused_with_the_remedy(row: dict[str, str]) -> None:
    with pytest.raises(ValueRefused) as refused:
        parse_instant(row["text"], ZoneInfo(row["zone"]))
    assert str(refused.value) == row["refusal"]


def test_line_end_behind_a_time_is_refused() -> None:
    with pytest.raises(ValueRefused, match="not a date and time"):
        parse_instant("1985-04-12T23:20:50Z\n", ZONES[0])


@given(instants, st.sampled_from(ZONES))
def test_local_text_reads_back_as_the_same_instant(instant: datetime, zone: ZoneInfo) -> None:
    assert parse_instant(local_text(instant, zone), zone) == instant
    assert parse_instant(instant_text(instant), zone) == instant
    assert datetime.fromisoformat(instant_text(instant)) == instant


@given(instants, st.sampled_from(ZONES))
def test_wall_time_is_refused_exactly_where_it_occurs_twice(
    instant: datetime, zone: ZoneInfo
) -> None:
    """Counted by trying every offset the zone has within a day, without the rule under test."""
    wall = instant.astimezone(zone).replace(tzinfo=None)
    offsets = {
        (instant + timedelta(hours=hours)).astimezone(zone).utcoffset() for hours in (-24, 0, 24)
    }
    shown = {
        candidate
        for offset in offsets
        if offset is not None
        and (candidate := (wall - offset).replace(tzinfo=UTC))
        .astimezone(zone)
        .replace(tzinfo=None)
        == wall.replace(fold=0)
    }
    if len(shown) == 1:
        assert from_local(wall.replace(fold=0), zone) == instant
    else:
        with pytest.raises(ValueRefused, match="occurs twice"):
            from_local(wall.replace(fold=0), zone)


@pytest.mark.parametrize("name", ["", "Europe", "Europe/Wien", "../etc/passwd", "/etc", "a\x00b"])
def test_name_that_is_no_zone_finds_none(name: str) -> None:
    assert find_zone(name) is None


def test_site_without_a_zone_is_an_error_of_its_configuration() -> None:
    with pytest.raises(ValueError, match=r"time zone 'Mars/Olympus' of the site is not one of"):
        policy_zone(SitePolicy(time_zone="Mars/Olympus"))
