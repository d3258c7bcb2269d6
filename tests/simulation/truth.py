"""What really happened in the simulated laboratory: tubes as planned, readings as measured."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

CLOCK_AHEAD = timedelta(minutes=10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """What a photometer showed for one tube, once.

    Attributes:
        number: counted by the instrument.
        wall: as its clock printed it, without zone.
        shown: digits as printed, "" where it showed a token only.
        sign: "<" or ">" for such a token, else "".
        stated: dilution factor that it printed, None for none.
    """

    instrument: str
    number: int
    wall: datetime
    label: str
    method: str
    shown: str
    sign: str = ""
    stated: Decimal | None = None

    @property
    def content(self) -> tuple[object, ...]:
        """All that it says."""
        value = Decimal(self.shown) if self.shown else None
        return (value, self.sign, self.stated, self.method, self.label, self.wall)


@dataclass(frozen=True, slots=True, kw_only=True)
class TubePlan:
    """One tube of a sheet; `factor` is its dilution."""

    position: int
    role: str
    label: str
    sample: str = ""
    lot: str = ""
    factor: Decimal = Decimal(1)
    standard: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """A run as a sheet plans it.

    Attributes:
        started: UTC.
        chlorides: mg/L by sample.
        notes: what the sheet observes: (position or None, key) to the value.
    """

    name: str
    method: str
    started: datetime
    instrument: str
    tubes: tuple[TubePlan, ...]
    chlorides: dict[str, Decimal] = field(default_factory=dict)
    notes: dict[tuple[int | None, str], str] = field(default_factory=dict)

    @property
    def body(self) -> tuple[object, ...]:
        """What makes two versions of the plan the same; notes and samples are kept apart."""
        return (self.name, self.method, self.started, self.instrument, self.tubes)


def key_of(label: str) -> str:
    """A label as labels are compared."""
    return " ".join(label.split()).casefold()


def instant_of(wall: datetime, zone: str, arrived: datetime) -> tuple[datetime, str]:
    """The instant of a wall time, with "ambiguous" or "nonexistent" where it is in doubt.

    Source: PEP 495; which of two instants is possible at all follows from the arrival.
    """
    clock = ZoneInfo(zone)
    first = wall.replace(tzinfo=clock, fold=0).astimezone(UTC)
    second = wall.replace(tzinfo=clock, fold=1).astimezone(UTC)
    if first == second:
        return first, ""
    if first.astimezone(clock).replace(tzinfo=None) != wall:
        return arrived, "nonexistent"
    if first <= arrived + CLOCK_AHEAD < second:
        return first, ""
    return first, "ambiguous"
