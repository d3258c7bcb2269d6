"""What a form may say about text, numbers, limits and fields, and how each is checked alone."""

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

Shape = Literal["table", "report", "frame"]
Kind = Literal["text", "number", "integer", "dilution", "date", "time", "datetime", "unit"]
Required = Literal["value", "place", "no"]
Encoding = Literal[
    "utf-8",
    "utf-16",
    "utf-16-le",
    "utf-16-be",
    "ascii",
    "windows-1250",
    "windows-1251",
    "windows-1252",
    "windows-1253",
    "windows-1254",
    "windows-1257",
    "iso-8859-1",
    "iso-8859-2",
    "iso-8859-5",
    "iso-8859-7",
    "iso-8859-9",
    "iso-8859-15",
]

# What the standard fields mean; any other name is a field of the form's own, kept as printed.
STANDARD_KINDS: dict[str, Kind] = {
    "sample": "text",
    "method": "text",
    "value": "number",
    "unit": "unit",
    "date": "date",
    "time": "time",
    "datetime": "datetime",
    "sequence": "text",
    "absorbance": "number",
    "dilution": "dilution",
    "lot": "text",
    "operator": "text",
    "instrument": "text",
    "position": "text",
    "remark": "text",
}
DATE_PARTS = re.compile(r"YYYY|YY|MON|MM|DD|M|D|hh|h|mm|ss|f|AP|ZZ|[^A-Za-z]|T")


def _as_tuple(value: object) -> object:
    """One string where a list is meant is a list of one."""
    return (value,) if isinstance(value, str) else value


def _as_bytes(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        return value.encode("latin-1")
    except UnicodeEncodeError:
        raise ValueError(
            "holds a character that is not one byte; write bytes as \\u0000-\\u00ff"
        ) from None


def _is_regex(value: str) -> str:
    try:
        re.compile(value)
    except re.error as error:
        raise ValueError(f"is not a regular expression: {error}") from None
    return value


def _is_time_pattern(value: str) -> str:
    rest = DATE_PARTS.sub("", value)
    if rest:
        raise ValueError(
            f"holds {rest!r}, which is no part of a date or time; parts are YYYY YY MON MM M DD D "
            "hh h mm ss f AP ZZ, everything else must not be a letter (except T)"
        )
    return value


Texts = Annotated[tuple[str, ...], BeforeValidator(_as_tuple)]
RawBytes = Annotated[bytes, BeforeValidator(_as_bytes)]
Pattern = Annotated[str, AfterValidator(_is_regex)]
Patterns = Annotated[tuple[Pattern, ...], BeforeValidator(_as_tuple)]
TimePatterns = Annotated[
    tuple[Annotated[str, AfterValidator(_is_time_pattern)], ...], BeforeValidator(_as_tuple)
]
DecimalMark = Literal[".", ","]
ThousandsMark = Literal["", ".", ",", "'", "’", " ", "\u00a0", "\u2009", "\u202f"]


class Rules(BaseModel):
    """One section of a form: frozen, and every unknown key is an error."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=False
    )


class TextRules(Rules):
    """How bytes become characters.

    Attributes:
        encodings: tried in this order; empty accepts only what is certain (a byte order mark,
            or valid UTF-8).
        last_line: "ended" (a last line without a line end is taken for a cut one: a fault) or
            "any".
    """

    last_line: Literal["ended", "any"] = "ended"

    encodings: Annotated[tuple[Encoding, ...], BeforeValidator(_as_tuple)] = ()


class NumberRules(Rules):
    """How numbers are written throughout the form; a field may state its own."""

    decimal: DecimalMark | None = None
    thousands: ThousandsMark = ""


class Limits(Rules):
    """Caps, each with its own error.

    Attributes:
        line_length: characters in one line (or one quoted row of several lines).
        fields: cells in one row.
        rows: rows, or blocks, in one capture.
    """

    line_length: Annotated[int, Field(ge=16, le=1_000_000)] = 20_000
    fields: Annotated[int, Field(ge=1, le=10_000)] = 500
    rows: Annotated[int, Field(ge=1, le=20_000_000)] = 5_000_000


class RecogniseRules(Rules):
    """What identifies the layout beyond its own columns or labels.

    Attributes:
        contains: texts that all occur near the start.
        lacks: texts of which none occurs near the start.
    """

    contains: Texts = ()
    lacks: Texts = ()


class FieldRules(Rules):
    """Where one field comes from and how it is written.

    Attributes:
        column: header cell of its column, one or several spellings (table).
        column_pattern: regular expression that its whole header cell matches; a group named
            `unit` or `method` supplies that field too (table).
        position: 1-based number of its column (table, delimited frame).
        start, end: 1-based first and last character (fixed width).
        label: label of its line (report, pairs in a frame) or of a line above the header that
            holds for the rows below (table); one or several spellings.
        holds: a label above a header holds for the table below it ("block") or, until it is
            stated anew, for all that follow ("file").
        constant: text that stands for the field in every reading.
        default: text used where the place is empty or missing.
        required: "value" (must be there and hold something), "place" (column or label must be
            there, may be empty), "no" (may be missing altogether).
        kind: how the text is read; standard fields know theirs.
        decimal, thousands: marks in this field, in place of those of `[numbers]`.
        patterns: date or time patterns such as "DD.MM.YYYY" or "hh:mm:ss".
        months: twelve month names for MON.
        below, above: tokens that mean below or above what the instrument can state.
        below_marks, above_marks: marks before a number, such as "<" and ">".
        no_value: tokens that mean that there is no value.
        prefix, suffix: fixed text around the value that is not part of it.
        unit_follows: a unit stands behind the number in the same place.
        ratio: what 1:10 means, "total" (1 part in 10, factor 10) or "added" (1 part and 10
            parts, factor 11); left out, it is refused.
    """

    column: Texts = ()
    column_pattern: Pattern | None = None
    position: Annotated[int, Field(ge=1)] | None = None
    start: Annotated[int, Field(ge=1)] | None = None
    end: Annotated[int, Field(ge=1)] | None = None
    label: Texts = ()
    holds: Literal["block", "file"] = "block"
    constant: str | None = None
    default: str | None = None
    required: Required = "value"
    kind: Kind | None = None
    decimal: DecimalMark | None = None
    thousands: ThousandsMark | None = None
    patterns: TimePatterns = ()
    months: tuple[str, ...] = ()
    below: Texts = ()
    above: Texts = ()
    below_marks: Texts = ()
    above_marks: Texts = ()
    no_value: Texts = ()
    prefix: Texts = ()
    suffix: Texts = ()
    unit_follows: bool = False
    ratio: Literal["total", "added"] | None = None

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the keys that say where the field comes from."""
        given = {
            "column": bool(self.column),
            "column_pattern": self.column_pattern is not None,
            "position": self.position is not None,
            "start": self.start is not None,
            "label": bool(self.label),
            "constant": self.constant is not None,
        }
        return tuple(key for key, is_given in given.items() if is_given)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.start is None) != (self.end is None):
            raise ValueError("start and end are stated together")
        if self.start is not None and self.end is not None and self.end < self.start:
            raise ValueError("end lies before start")
        if self.months and len(self.months) != 12:
            raise ValueError("months holds twelve names")
        if any("MON" in pattern for pattern in self.patterns) and not self.months:
            raise ValueError("the pattern part MON needs the twelve names in months")
        return self
