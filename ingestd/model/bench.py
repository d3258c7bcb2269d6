"""What is worked at the bench: runs, their tubes and dilutions, and what was noted of them."""

from datetime import datetime
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field

from ingestd.model.vocabulary import STRICT, Factor, Name, Positive, Role
from parsers.frozen import frozen


@frozen
class Dilution:
    """A total factor (>= 1) as written, with its steps (each >= 1)."""

    __pydantic_config__ = STRICT

    text: str
    factor: Factor
    steps: tuple[Factor, ...] = ()

    @property
    def factors(self) -> tuple[Decimal, ...]:
        """The factor of each step that dilutes; a total without steps is one step."""
        return tuple(factor for factor in self.steps or (self.factor,) if factor != 1)


UNDILUTED = Dilution(text="1", factor=Decimal(1))


@frozen
class Tube:
    """One position of a run.

    Attributes:
        label: the text by which an instrument names this tube; unique among tubes it could be.
        sample: code of the sample (roles sample, duplicate, spike, colour_blank), else "".
        standard: lot of the control standard (role control_standard).
        lot: kit lot of this tube.
        spike_added: concentration added, in the method's unit in the sample (role spike).
        expected: what the analyst expects, method's unit, undiluted sample.
        repeats: what result this tube repeats and why, in words; "" for none.
    """

    __pydantic_config__ = STRICT

    position: Annotated[int, Field(ge=1)]
    role: Role
    label: str = ""
    sample: str = ""
    standard: str = ""
    lot: str = ""
    dilution: Dilution = UNDILUTED
    spike_added: Positive | None = None
    expected: Positive | None = None
    repeats: str = ""


@frozen
class Run:
    """Tubes worked together by one method; belongs to the day it starts.

    Attributes:
        order: "by_name": readings are placed by their printed sample text; "in_sheet_order":
            the instrument carries none, a block of readings is proposed in the sheet's order.
    """

    __pydantic_config__ = STRICT

    name: Name
    method: Name
    started_at: AwareDatetime
    instrument: str = ""
    analyst: str = ""
    program: str = ""
    prepared_at: AwareDatetime | None = None
    order: Literal["by_name", "in_sheet_order"] = "by_name"
    tubes: tuple[Tube, ...]


ObservationKey = Literal[
    "turbidity",  # clear | turbid | a number in NTU
    "chloride",  # mg/L in the undiluted sample
    "digestion_start",
    "digestion_end",
    "reagent_added",
    "block",
    "block_temperature",  # degrees C
    "zeroing",  # attested: who zeroed on what
    "homogenised",  # yes | no
    "void",  # reason
    "use_reading",  # id of the reading that counts when a tube has several
    "dilution",  # correction of the planned dilution
    "lot",  # correction of the planned kit lot
    "closed",  # reason; run only: nothing more will come
]


@frozen
class Observation:
    """What a person or instrument noted about a tube, or about a whole run (`position` None).

    The newest of one key and tube counts; a tube's own beats the run's. `value` is the checked
    text: instants as ISO 8601 UTC, numbers as plain decimals.
    """

    id: int
    run: str
    position: int | None
    key: ObservationKey
    value: str
    at: datetime
    by: str
