"""A printed wall time as an instant in UTC, with a note where the clock change leaves doubt.

Instruments print wall time without a zone. When clocks go back, one hour occurs twice: the
reading cannot be younger than its arrival, so often only one of the two instants is possible;
where both are, the doubt is said and never settled by a guess. When clocks go forward, one hour
does not exist: an instrument that prints it has a wrong clock.

Source: the daylight-saving rules of the IANA time zone database; repeated and missing local
times as PEP 495 describes them (`fold`).
"""

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Literal, cast
from zoneinfo import ZoneInfo

TimeNote = Literal["", "ambiguous", "nonexistent", "missing"]

CLOCK_ALLOWANCE = timedelta(minutes=10)
"""How far an instrument's clock may run ahead of ours before an instant counts as impossible.

Common practice, no source: bench clocks are set by hand and off by minutes, never by an hour.
"""


@lru_cache(maxsize=64)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def resolve_local_time(
    wall: datetime | None, zone: str, arrived_at: datetime
) -> tuple[datetime, TimeNote]:
    """Return the instant in UTC, and a note where the wall time alone does not settle it.

    Args:
        wall: the printed time, without zone; None where the form prints none. A time that
            carries its own offset is taken at its word.
        zone: IANA name of the instrument's clock.
        arrived_at: when the capture arrived, aware.

    Returns:
        The instant and "": settled. With "ambiguous": the earlier of the two instants. With
        "nonexistent" and "missing": the arrival, since nothing better is known.

    """
    if wall is None:
        return arrived_at, "missing"
    if wall.tzinfo is not None:
        return wall.astimezone(UTC), ""
    clock = _zone(zone)
    # A zone of the IANA database always states an offset.
    first_offset = cast("timedelta", wall.replace(tzinfo=clock).utcoffset())
    second_offset = cast("timedelta", wall.replace(tzinfo=clock, fold=1).utcoffset())
    first = (wall - first_offset).replace(tzinfo=UTC)
    if first_offset == second_offset:
        return first, ""
    if first_offset < second_offset:  # PEP 495: inside a gap the offsets are the other way round
        return arrived_at, "nonexistent"
    second = (wall - second_offset).replace(tzinfo=UTC)
    latest = arrived_at + CLOCK_ALLOWANCE
    if first <= latest < second:
        return first, ""
    return first, "ambiguous"


def local_day(instant: datetime, zone: str) -> datetime:
    """Return the instant on the wall clock of the zone, for days and for printing."""
    return instant.astimezone(_zone(zone))
