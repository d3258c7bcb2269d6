"""Times as people write them in the laboratory's zone, as instants in UTC."""

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from ingestd.model import SitePolicy
from ingestd.plan.faults import ValueRefused

# ASCII digits only: \d would take those of every script.
_WRITTEN = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt ]([0-9]{2}):([0-9]{2})"
    r"(?::([0-9]{2})(?:\.([0-9]{1,6}))?)?"
    r" ?([Zz]|[+-][0-9]{2}:[0-9]{2})?"
)
FIRST_YEAR, LAST_YEAR = 1900, 2199

_HOW = "write it as 2026-03-02 08:15"


def parse_instant(text: str, zone: ZoneInfo) -> datetime:
    """Return the instant in UTC of a time written with an offset, or in the zone without one.

    `2026-03-02 08:15`, with `T` for the blank, with seconds and up to six decimals, and with
    `Z` or an offset such as `+01:00` behind it. A leap second is refused: no clock here has one.

    Raises:
        ValueRefused: another notation, a day or time that does not exist, or a local time that
            a change of clocks makes occur twice or not at all.

    """
    match = _WRITTEN.fullmatch(text)
    if match is None:
        raise ValueRefused("this is not a date and time", _HOW)
    *whole, fraction, offset = match.groups()
    year, month, day, hour, minute, second = (int(part or 0) for part in whole)
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValueRefused(
            f"the year is not within {FIRST_YEAR} to {LAST_YEAR}", f"check the year; {_HOW}"
        )
    microsecond = int((fraction or "").ljust(6, "0"))
    try:
        wall = datetime(year, month, day, hour, minute, second, microsecond)  # noqa: DTZ001 - the zone follows
    except ValueError as error:
        raise ValueRefused(
            "this day or time of day does not exist", f"correct it; {_HOW}"
        ) from error
    if offset is not None:
        return (wall - _offset(offset)).replace(tzinfo=UTC)
    return from_local(wall, zone)


def from_local(wall: datetime, zone: ZoneInfo) -> datetime:
    """Return the one instant in UTC at which a clock of the zone shows this wall time.

    Raises:
        ValueRefused: there are two such instants, or none.

    Source: the IANA time zone database, as `zoneinfo` reads it.

    """
    instants = {
        instant
        for fold in (0, 1)
        if (instant := wall.replace(tzinfo=zone, fold=fold).astimezone(UTC))
        .astimezone(zone)
        .replace(tzinfo=None, fold=0)
        == wall
    }
    if len(instants) == 1:
        return instants.pop()
    if not instants:
        raise ValueRefused(
            f"this time does not exist in {zone.key}, clocks were put forward over it",
            "correct the time, or write the offset of the clock it was read from, such as +01:00",
        )
    offsets = [instant_offset(instant, zone) for instant in sorted(instants)]
    raise ValueRefused(
        f"this time occurs twice in {zone.key}, clocks were put back over it",
        f"write the offset behind it: {offsets[0]} for the first, {offsets[1]} for the second",
    )


def instant_offset(instant: datetime, zone: ZoneInfo) -> str:
    """Return the zone's offset from UTC at that instant, e.g. `+01:00`."""
    return instant.astimezone(zone).isoformat()[-6:]


def instant_text(instant: datetime) -> str:
    """Return an instant as observations keep it: ISO 8601 in UTC, e.g. `2026-03-02T07:15:00Z`."""
    return instant.astimezone(UTC).isoformat().removesuffix("+00:00") + "Z"


def local_text(instant: datetime, zone: ZoneInfo) -> str:
    """Return an instant as a sheet may hold it: local time with offset, read back the same."""
    return instant.astimezone(zone).isoformat(sep=" ")


def find_zone(name: str) -> ZoneInfo | None:
    """Return the IANA time zone of that name, None where there is none."""
    try:
        return ZoneInfo(name)
    # A name such as "", ".." or "Europe" is refused in several ways by what looks it up.
    except (LookupError, ValueError, OSError):
        return None


def policy_zone(policy: SitePolicy) -> ZoneInfo:
    """Return the laboratory's zone.

    Raises:
        ValueError: the site's configuration names a zone that does not exist.

    """
    zone = find_zone(policy.time_zone)
    if zone is None:
        raise ValueError(
            f"time zone {policy.time_zone!r} of the site is not one of the IANA database; "
            "name one such as Europe/Vienna"
        )
    return zone


def _offset(text: str) -> timedelta:
    if text in {"Z", "z"}:
        return timedelta(0)
    hours, minutes = int(text[1:3]), int(text[4:6])
    if hours > 23 or minutes > 59:
        raise ValueRefused("this offset from UTC does not exist", "write it such as +01:00 or Z")
    size = timedelta(hours=hours, minutes=minutes)
    return -size if text[0] == "-" else size
