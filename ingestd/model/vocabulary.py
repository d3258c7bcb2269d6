"""The closed sets of words: roles of tubes and persons, verdicts, states; and kinds of numbers."""

from decimal import Decimal
from enum import StrEnum
from typing import Annotated

from pydantic import ConfigDict, Field

STRICT = ConfigDict(extra="forbid")
Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$")]
Positive = Annotated[Decimal, Field(gt=0)]
NotNegative = Annotated[Decimal, Field(ge=0)]
Factor = Annotated[Decimal, Field(ge=1)]
Minutes = Annotated[Decimal, Field(ge=0)]


class Role(StrEnum):
    """What a tube is for."""

    SAMPLE = "sample"
    BLANK = "blank"
    COLOUR_BLANK = "colour_blank"
    CONTROL_STANDARD = "control_standard"
    DUPLICATE = "duplicate"
    SPIKE = "spike"


class Verdict(StrEnum):
    """A rule's answer, from harmless to final."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    CAUTION = "caution"
    HOLD = "hold"
    REFUSE = "refuse"


class State(StrEnum):
    """Where a result stands; the first four come from evaluation, the others from people."""

    AWAITING = "awaiting"
    ACCEPTED = "accepted"
    HELD = "held"
    REFUSED = "refused"
    RELEASED = "released"
    WITHDRAWN = "withdrawn"
    SUPERSEDED = "superseded"


class PersonRole(StrEnum):
    """What a person may do; each includes the ones before it, save that admin does not release."""

    VIEWER = "viewer"
    ANALYST = "analyst"
    REVIEWER = "reviewer"
    ADMIN = "admin"
