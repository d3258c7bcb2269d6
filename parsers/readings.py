"""The values that leave the parsers: readings, faults and where a file is known to be complete.

Everything is frozen and says where in the capture it came from. Offsets are bytes from the
start of the capture, so a person can be shown the very characters a number was read from.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Literal, NamedTuple

Censoring = Literal["", "<", ">"]


class Span(NamedTuple):
    """Half-open range of bytes `[start, end)` in the capture."""

    start: int
    end: int


class Printed:
    """The declared fields of one reading as printed, by name, and where each of them stands.

    A plain row of a long table works both out when asked for (`parsers.rows.PrintedRow`); two
    that say the same are equal, whichever way they were read.
    """

    __slots__ = ("_fields", "_spans")
    __hash__ = None  # type: ignore[assignment]  # it holds mappings

    def __init__(self, fields: Mapping[str, str], spans: Mapping[str, Span]) -> None:
        self._fields = fields
        self._spans = spans

    @property
    def fields(self) -> Mapping[str, str]:
        """Text of each field that has any."""
        return self._fields

    @property
    def spans(self) -> Mapping[str, Span]:
        """Where each of `fields` stands; none for what the form itself supplies."""
        return self._spans

    def field(self, name: str) -> str:
        """Text of one field, "" where it has none."""
        return self.fields.get(name, "")

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Printed):
            return NotImplemented
        return self.fields == other.fields and self.spans == other.spans

    def __repr__(self) -> str:
        return f"Printed({dict(self.fields)!r}, {dict(self.spans)!r})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one instrument said about one tube, as printed.

    Attributes:
        method: the method's name as the instrument prints it, or None.
        sample: the sample text as printed, surrounding blanks removed, or None.
        value: the printed number as a Decimal with the printed digits; None when the display
            gave only a token such as "over range", or only an absorbance.
        censored: "" for a number, "<" below and ">" above what the instrument can state.
        unit: canonical unit ("mg/L", "ug/L", "mmol/L"), or None when neither printed nor declared.
        basis: what the unit counts ("N", "NH4", "P", "PO4", "O2"), or None.
        measured_at: wall time as printed, without zone; None when the form has no time.
        absorbance: dimensionless, or None.
        dilution: the factor the instrument states (>= 1), or None.
        dilution_applied: True when the printed value is already multiplied by `dilution`.
        identity: the fields that make it the same reading again, as printed, in form order.
        sequenced: True when `identity` holds a sequence number, so equal identity with other
            digits is a conflict rather than a second reading.
        printed: every declared field as printed and where it stands; `fields` and `spans` are
            short for its two halves. A field stated once for many rows (preamble) has the span
            of that one place; a constant of the form has none.
        span: the bytes of the whole row, block or frame.
        line: 1-based line number of the row (first line of a block), 0 for frames.
    """

    method: str | None = None
    sample: str | None = None
    value: Decimal | None = None
    censored: Censoring = ""
    unit: str | None = None
    basis: str | None = None
    measured_at: datetime | None = None
    absorbance: Decimal | None = None
    dilution: Decimal | None = None
    dilution_applied: bool | None = None
    identity: tuple[str, ...]
    sequenced: bool = False
    printed: Printed = field(default_factory=lambda: Printed({}, {}))
    span: Span
    line: int = 0

    @property
    def fields(self) -> Mapping[str, str]:
        """Every declared field as printed, by field name."""
        return self.printed.fields

    @property
    def spans(self) -> Mapping[str, Span]:
        """Where each of `fields` stands, by field name."""
        return self.printed.spans


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One place that could not be read; everything else of the capture still counts.

    Attributes:
        offset: byte offset in the capture.
        line: 1-based line number, 0 where lines have no meaning.
        field: name of the form's field, or "" for the row itself.
        expected: what the form asks for, in words.
        found: what stands there, at most 40 characters, control characters escaped.
    """

    offset: int
    line: int
    field: str
    expected: str
    found: str

    def __str__(self) -> str:
        place = f"line {self.line}, " if self.line else ""
        name = f"field {self.field}, " if self.field else ""
        return f"{place}{name}byte {self.offset}: expected {self.expected}, found {self.found!r}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Resume:
    """Where and how to go on in a file that has grown; plain JSON values only.

    Attributes:
        offset: bytes already read; the next call gets the bytes from here on.
        line: line number of the last line read.
        state: what the shape must remember (columns bound by the header, preamble fields).
    """

    offset: int = 0
    line: int = 0
    state: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parsed:
    """All that one capture yields.

    Attributes:
        readings: in file order.
        faults: in file order.
        complete_to: byte offset up to which the capture is certainly complete. Bytes behind it
            are an unfinished tail: neither readings nor faults until the file is final.
        resume: hand it back with the bytes that come later; None where a shape cannot resume.
    """

    readings: tuple[Reading, ...] = ()
    faults: tuple[Fault, ...] = ()
    complete_to: int = 0
    resume: Resume | None = None
