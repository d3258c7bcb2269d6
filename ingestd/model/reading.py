"""What an instrument said about one tube, as the ledger holds it."""

from datetime import datetime
from decimal import Decimal
from typing import Literal

from parsers.frozen import frozen

SCATTERED = 1
GROUPED = 2
"""How a ledger keeps the identities of readings: as digests that lie all over their index, as
every ledger made before there was a choice, or as digests that begin with what neighbours share.
In a ledger of ten million readings each scattered one has pages read and written that no other
arrival needs."""


@frozen
class StoredReading:
    """A reading as the ledger holds it; digits as printed, instant resolved to UTC.

    Attributes:
        time_note: "" | "ambiguous" (an hour that occurs twice) | "nonexistent" | "missing".
        measured_at: the printed wall time in UTC, or the arrival time where `time_note` is not
            "" and nothing better is known.
    """

    id: int
    capture: int
    instrument: str
    source: str
    method: str | None
    sample: str | None
    value: Decimal | None
    censored: Literal["", "<", ">"]
    unit: str | None
    basis: str | None
    measured_at: datetime
    arrived_at: datetime
    time_note: Literal["", "ambiguous", "nonexistent", "missing"] = ""
    absorbance: Decimal | None = None
    dilution: Decimal | None = None
    dilution_applied: bool | None = None
    conflict: bool = False
    raw: str = ""
    span: tuple[int, int] = (0, 0)
    form: str = ""
