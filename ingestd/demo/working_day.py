"""The day that is worked: the last working day before today, in the laboratory's zone."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

SATURDAY = 5


@dataclass(frozen=True, slots=True)
class Day:
    """A calendar day of the laboratory."""

    date: date
    zone: ZoneInfo

    def at(self, wall: str) -> datetime:
        """The instant, UTC, at which the laboratory's clock shows e.g. `08:10` on this day."""
        return datetime.combine(self.date, time.fromisoformat(wall), self.zone).astimezone(UTC)


def working_day_before(now: datetime, zone: ZoneInfo) -> Day:
    """The last Monday to Friday before the day of an instant; all of it lies in the past."""
    day = now.astimezone(zone).date() - timedelta(days=1)
    while day.weekday() >= SATURDAY:
        day -= timedelta(days=1)
    return Day(day, zone)
