r"""A form: a checked description of one layout of plain text or CSV, read from TOML.

A form says where each field stands and how it is written; it never holds code. Everything that
can be wrong in it is found here, before any capture is read, and named by its key. The shapes
(`table`, `report`, `frame`) may therefore trust what they are given.

Bytes that cannot be typed (STX, ETX, CR) are written in TOML with its own escapes, such as
"\u0002" or "\r"; each character stands for the byte of the same number.
"""

import re
import tomllib
from functools import partial
from itertools import pairwise
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from parsers.checksums import CHECKSUMS
from parsers.errors import FormError
from parsers.units import parse_unit

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
_TIME_FIELDS = ("datetime", "date", "time")
_FIELD_NAME = re.compile(r"[a-z][a-z0-9_]*")
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


def _is_checksum(value: str) -> str:
    if value not in CHECKSUMS:
        raise ValueError(f"is no checksum known here; there are {', '.join(CHECKSUMS)}")
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


class _Rules(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=False
    )


class TextRules(_Rules):
    """How bytes become characters.

    Attributes:
        encodings: tried in this order; empty accepts only what is certain (a byte order mark,
            or valid UTF-8).
        last_line: "ended" (a last line without a line end is taken for a cut one: a fault) or
            "any".
    """

    last_line: Literal["ended", "any"] = "ended"

    encodings: Annotated[tuple[Encoding, ...], BeforeValidator(_as_tuple)] = ()


class NumberRules(_Rules):
    """How numbers are written throughout the form; a field may state its own."""

    decimal: DecimalMark | None = None
    thousands: ThousandsMark = ""


class Limits(_Rules):
    """Caps, each with its own error.

    Attributes:
        line_length: characters in one line (or one quoted row of several lines).
        fields: cells in one row.
        rows: rows, or blocks, in one capture.
    """

    line_length: Annotated[int, Field(ge=16, le=1_000_000)] = 20_000
    fields: Annotated[int, Field(ge=1, le=10_000)] = 500
    rows: Annotated[int, Field(ge=1, le=20_000_000)] = 5_000_000


class RecogniseRules(_Rules):
    """What identifies the layout beyond its own columns or labels.

    Attributes:
        contains: texts that all occur near the start.
        lacks: texts of which none occurs near the start.
    """

    contains: Texts = ()
    lacks: Texts = ()


class FieldRules(_Rules):
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


class AnalyteColumn(_Rules):
    """One analyte of a wide table: its header cell, the method it stands for, its unit."""

    column: Texts
    method: str
    unit: str | None = None


class WideRules(_Rules):
    """One column per analyte; a row gives one reading for each cell that is not empty.

    Attributes:
        columns: the analytes, one by one.
        pattern: or a regular expression for their header cells, with a group named `method`
            and optionally one named `unit`.
    """

    columns: tuple[AnalyteColumn, ...] = ()
    pattern: Pattern | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if bool(self.columns) == (self.pattern is not None):
            raise ValueError("states either columns or pattern")
        if self.pattern is not None and "method" not in re.compile(self.pattern).groupindex:
            raise ValueError("pattern needs a group named method")
        return self


class TableRules(_Rules):
    """Rows under a header.

    Attributes:
        delimiter: one character, "tab", "spaces" (runs of blanks), "gaps" (runs of two or more
            blanks) or "fixed" (character positions).
        quote: the quoting character of RFC 4180, or "" for none.
        line_breaks_in_quotes: a quoted cell may run over several lines.
        header: "names" (a header row is looked for) or "none" (columns by position only).
        header_pattern: without names, the line behind which the rows begin.
        cells: without names, the exact number of cells in a row.
        header_within: the header stands within so many lines.
        ignore: patterns of whole lines that are passed over anywhere (rules, comments, totals).
        end: pattern of the line behind which nothing more comes.
        blocks: "none"; "blank" (a blank line ends a table, another preamble and header may
            follow).
        stated_separator: between label and text in the lines above the header.
        other_columns: header cells that are known and not read.
        short_rows: rows may lack empty cells at their end.
    """

    delimiter: str
    quote: Literal["", '"', "'"] = '"'
    line_breaks_in_quotes: bool = False
    header: Literal["names", "none"] = "names"
    header_pattern: Pattern | None = None
    cells: Annotated[int, Field(ge=1)] | None = None
    header_within: Annotated[int, Field(ge=1, le=1000)] = 50
    ignore: Patterns = ()
    end: Pattern | None = None
    blocks: Literal["none", "blank"] = "none"
    stated_separator: Annotated[str, Field(min_length=1)] = ":"
    other_columns: Texts = ()
    short_rows: bool = False
    wide: WideRules | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.delimiter not in ("tab", "spaces", "gaps", "fixed") and len(self.delimiter) != 1:
            raise ValueError('delimiter is one character, "tab", "spaces", "gaps" or "fixed"')
        if self.delimiter in ("\r", "\n", self.quote):
            raise ValueError("delimiter can be neither a line end nor the quote")
        if self.line_breaks_in_quotes and not self.quote:
            raise ValueError("line_breaks_in_quotes needs a quote")
        if self.has_names and (self.header_pattern is not None or self.cells is not None):
            raise ValueError("header_pattern and cells go with tables without header names")
        if not self.has_names and self.delimiter != "fixed" and self.cells is None:
            raise ValueError('header = "none" needs cells, the exact number of cells in a row')
        return self

    @property
    def has_names(self) -> bool:
        """Columns are found by the names in a header row."""
        return self.header == "names" and self.delimiter != "fixed"


class ReportRules(_Rules):
    """Labelled lines, one block a reading.

    Attributes:
        separator: between label and text.
        block: what parts two blocks: "blank" (a blank line), "rule" (a line matching
            `rule`), "label" (a block begins with the line labelled `first_label`).
        rule: pattern of the parting line.
        first_label: label that begins each block.
        last_label: label of the line that completes a block; without it the next block, a
            parting line, the end mark or the end of the file does.
        other_labels: labels that are known and not read.
        ignore: patterns of whole lines that are passed over anywhere (page headers).
        end: pattern of the line behind which nothing more comes.
    """

    separator: Annotated[str, Field(min_length=1)] = ":"
    block: Literal["blank", "rule", "label"]
    rule: Pattern | None = None
    first_label: Texts = ()
    last_label: Texts = ()
    other_labels: Texts = ()
    ignore: Patterns = ()
    end: Pattern | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.block == "rule") != (self.rule is not None):
            raise ValueError('rule is stated exactly with block = "rule"')
        if (self.block == "label") != bool(self.first_label):
            raise ValueError('first_label is stated exactly with block = "label"')
        return self


class LengthField(_Rules):
    """A number in the frame that says how long it is.

    Attributes:
        offset: bytes from the first byte of the frame to the number.
        size: bytes of the number.
        written: "big", "little" (binary) or "decimal", "hex" (ASCII digits).
        adds: total length of the frame in bytes minus the number.
    """

    offset: Annotated[int, Field(ge=0)]
    size: Annotated[int, Field(ge=1, le=8)]
    written: Literal["big", "little", "decimal", "hex"] = "big"
    adds: int = 0


class ChecksumRules(_Rules):
    """The check value of a frame.

    Attributes:
        name: checksum by its catalogue name, such as "CRC-16/MODBUS", or "XOR", "SUM-8",
            "SUM-8/TWOS-COMPLEMENT".
        written: "big", "little" (binary) or "hex" (upper- or lower-case ASCII digits).
        place: "before_end" (between payload and end bytes) or "after_end".
        covers_start, covers_end: start or end bytes are part of the checked bytes.
    """

    name: Annotated[str, AfterValidator(_is_checksum)]
    written: Literal["big", "little", "hex"] = "hex"
    place: Literal["before_end", "after_end"] = "before_end"
    covers_start: bool = False
    covers_end: bool = False


class FrameRules(_Rules):
    """One serial message, one reading.

    Attributes:
        start, end: bytes that open and close a frame.
        length: fixed total length in bytes.
        length_field: or where the frame states its length.
        checksum: its check value.
        after: bytes that follow every frame and carry nothing (a line end, say).
        idle_end_ms: silence that ends a frame, milliseconds.
        limit: bytes without a complete frame after which the oldest are given up.
        acknowledge, refuse: bytes sent for a good and for a damaged frame.
        poll: bytes that ask for a reading.
        poll_every_ms: how often to ask, milliseconds.
        unchecked: without a checksum, the form's author declares the line safe to read.
        layout: "delimited" (cells by position), "fixed" (characters by start and end) or
            "pairs" (labelled).
        delimiter: between cells or pairs.
        pair_separator: between label and text of a pair.
        cells: exact number of cells of a delimited payload.
    """

    start: RawBytes = b""
    end: RawBytes = b""
    length: Annotated[int, Field(ge=1)] | None = None
    length_field: LengthField | None = None
    checksum: ChecksumRules | None = None
    after: RawBytes = b""
    idle_end_ms: Annotated[int, Field(ge=1)] | None = None
    limit: Annotated[int, Field(ge=8, le=1_000_000)] = 4096
    acknowledge: RawBytes = b""
    refuse: RawBytes = b""
    poll: RawBytes = b""
    poll_every_ms: Annotated[int, Field(ge=1)] | None = None
    unchecked: bool = False
    layout: Literal["delimited", "fixed", "pairs"]
    delimiter: str = ","
    pair_separator: str = "="
    cells: Annotated[int, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        ends = (self.end, self.length, self.length_field, self.idle_end_ms)
        if not any(ends):
            raise ValueError("needs one of end, length, length_field, idle_end_ms")
        if self.length is not None and self.length_field is not None:
            raise ValueError("states either length or length_field")
        is_counted = self.length is not None or self.length_field is not None
        if is_counted and not self.start and self.idle_end_ms is None:
            raise ValueError("a stated length without start bytes needs idle_end_ms to begin anew")
        if self.length is not None and self.length > self.limit:
            raise ValueError(f"length is over limit ({self.limit})")
        if not self.delimiter or not self.pair_separator:
            raise ValueError("delimiter and pair_separator hold at least one character")
        if self.poll_every_ms is not None and not self.poll:
            raise ValueError("poll_every_ms needs the bytes to send in poll")
        return self._check_safety()

    def _check_safety(self) -> Self:
        """Without a checksum only a strict layout tells a damaged message from a whole one."""
        if (self.checksum is None) != self.unchecked:
            raise ValueError(
                "needs either a checksum, or unchecked = true to declare that a strict layout "
                "is safe enough"
            )
        if self.unchecked and self.layout == "delimited" and self.cells is None:
            raise ValueError("unchecked = true with layout = delimited needs cells")
        if self.unchecked and self.layout == "fixed" and self.length is None:
            raise ValueError("unchecked = true with layout = fixed needs length")
        return self


class Form(_Rules):
    """A checked form.

    Attributes:
        name: what the form is called; comes from outside the TOML.
        title: one line for a person who chooses.
        identity: fields that make a reading the same again.
        dilution_applied, blank_applied, rounding_applied: whether the instrument already did
            so; None where nothing is said.
        units: the form's own unit texts, each with the unit that it stands for.
    """

    name: str
    shape: Shape
    title: str = ""
    identity: tuple[str, ...] = ()
    dilution_applied: bool | None = None
    blank_applied: bool | None = None
    rounding_applied: bool | None = None
    text: TextRules = TextRules()
    numbers: NumberRules = NumberRules()
    limits: Limits = Limits()
    recognise: RecogniseRules = RecogniseRules()
    units: dict[str, str] = Field(default_factory=dict)
    table: TableRules | None = None
    report: ReportRules | None = None
    frame: FrameRules | None = None
    fields: dict[str, FieldRules]

    @property
    def sequenced(self) -> bool:
        """True when the identity holds a sequence number."""
        return "sequence" in self.identity

    def kind(self, field: str) -> Kind:
        """How the text of `field` is read."""
        return self.fields[field].kind or STANDARD_KINDS.get(field, "text")


def load_form(data: bytes, name: str) -> Form:
    """A checked form from its TOML bytes.

    Args:
        data: the TOML file.
        name: what the form is called in messages, captures and results.

    Raises:
        FormError: names the key, its value and what is allowed there.
    """
    try:
        tree = tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise FormError(
            form=name, key="(file)", problem=f"byte {error.start} is not UTF-8"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise FormError(form=name, key="(file)", problem=f"is not TOML: {error}") from None
    if "name" in tree:
        raise FormError(form=name, key="name", problem="comes from the file name; leave it out")
    try:
        form = Form.model_validate({**_lists_as_tuples(tree), "name": name})
    except ValidationError as error:
        raise _explained(error, name) from None
    _check_whole(form)
    if form.identity:
        return form
    return form.model_copy(update={"identity": _default_identity(form)})


def _lists_as_tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_lists_as_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _lists_as_tuples(item) for key, item in value.items()}
    return value


def _explained(error: ValidationError, name: str) -> FormError:
    """The first fault pydantic found, in the form's own words."""
    faults = error.errors()
    # A key that is not known is most often the misspelt one that another fault misses.
    first = min(faults, key=lambda fault: fault["type"] != "extra_forbidden")
    key = ".".join(str(part) for part in first["loc"]) or "(file)"
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    allowed: tuple[str, ...] = ()
    problem = first["msg"].removeprefix("Value error, ")
    value = first["input"]
    if first["type"] == "extra_forbidden":
        problem = "is not a key of the form language"
        allowed = _keys_at(first["loc"][:-1])
    elif first["type"] == "missing":
        problem, value = "is missing", None
    elif first["type"] == "literal_error":
        problem = "is not one of the allowed values"
        allowed = tuple(re.findall(r"'([^']*)'", first["ctx"]["expected"]))
    if isinstance(value, BaseModel | dict):
        value = None
    return FormError(form=name, key=key, problem=problem + more, value=value, allowed=allowed)


def _keys_at(path: tuple[int | str, ...]) -> tuple[str, ...]:
    """Keys that the form language knows at `path`, sorted."""
    model: Any = Form
    for part in path:
        if isinstance(part, int):
            continue
        # A name that is no key of the model is the name of a field of the form: the model stays.
        if part in model.model_fields:
            model = _model_in(model.model_fields[part].annotation)
    names = set(model.model_fields) - ({"name"} if model is Form else set())
    return tuple(sorted(names))


def _model_in(annotation: Any) -> Any:
    """The rules class inside `X | None`, `dict[str, X]` or `tuple[X, ...]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inside = map(_model_in, get_args(annotation))
    return next((found for found in inside if found is not None), None)


def _default_identity(form: Form) -> tuple[str, ...]:
    """The sequence number; without one printed time, sample, method and raw value."""
    is_wide = form.table is not None and form.table.wide is not None
    known = set(form.fields) | ({"method", "value"} if is_wide else set())
    wanted = ("sequence",) if "sequence" in known else (*_TIME_FIELDS, "sample", "value")
    names = [name for name in wanted if name in known]
    if "method" in known and (is_wide or "sequence" not in known):
        names.insert(-1 if names[-1:] == ["value"] else len(names), "method")
    return tuple(names)


def _check_whole(form: Form) -> None:
    """Refuse what no single key shows to be wrong."""

    def wrong(
        key: str, problem: str, value: object = None, allowed: tuple[str, ...] = ()
    ) -> FormError:
        return FormError(form=form.name, key=key, problem=problem, value=value, allowed=allowed)

    for shape in get_args(Shape):
        if (getattr(form, shape) is not None) != (shape == form.shape):
            need = "is missing" if shape == form.shape else f"does not go with shape {form.shape}"
            raise wrong(shape, need)
    if form.frame is not None and any(name.startswith("utf-16") for name in form.text.encodings):
        raise wrong("text.encodings", "a frame is written in one byte a character, or UTF-8")
    for text, meaning in form.units.items():
        if parse_unit(meaning) is None:
            raise wrong(
                f"units.{text}", "is no known unit", meaning, ("g/L", "mg/L", "ug/L", "mmol/L")
            )
    wide = form.table.wide if form.table else None
    for name, rules in form.fields.items():
        _check_field(form, name, rules, wrong)
    if wide is None and not {"value", "absorbance"} & set(form.fields):
        raise wrong("fields", "needs value or absorbance, or [table.wide]")
    gives_unit = any(
        rules.unit_follows or "unit" in _groups_of(rules.column_pattern)
        for rules in form.fields.values()
    )
    if "unit" in form.fields and (gives_unit or (wide and "unit" in _groups_of(wide.pattern))):
        raise wrong("fields.unit", "the unit comes from two places")
    if "method" in form.fields and (
        wide or any("method" in _groups_of(r.column_pattern) for r in form.fields.values())
    ):
        raise wrong("fields.method", "the method comes from two places")
    if form.table is not None:
        _check_table(form, form.table, wrong)
    if "dilution" in form.fields and form.dilution_applied is None:
        raise wrong(
            "dilution_applied",
            "must be stated where the instrument prints a dilution",
            allowed=("true", "false"),
        )
    if form.identity:
        known = set(form.fields) | ({"method", "value"} if wide else set())
        for name in form.identity:
            if name not in known:
                raise wrong(
                    "identity", "names a field that the form lacks", name, tuple(sorted(known))
                )


def _groups_of(pattern: str | None) -> frozenset[str]:
    return frozenset(re.compile(pattern).groupindex) if pattern else frozenset()


def _check_table(form: Form, table: TableRules, wrong: Any) -> None:
    places = {source for rules in form.fields.values() for source in rules.sources}
    if table.has_names and table.wide is None and not places & {"column", "column_pattern"}:
        raise wrong("table.header", "no field is found by a column name", table.header, ("none",))
    if not table.has_names and table.wide is not None:
        raise wrong("table.wide", "needs a header with names")
    if not table.has_names and table.header_pattern is None and "label" in places:
        raise wrong("table.header_pattern", "is missing: which line ends the stated lines?")
    if not table.has_names and table.header_pattern is None and table.blocks == "blank":
        raise wrong("table.blocks", "needs header_pattern where columns have no names")
    for name, rules in form.fields.items():
        if table.cells is not None and rules.position is not None and rules.position > table.cells:
            raise wrong(f"fields.{name}.position", "lies behind the last cell", rules.position)
        if rules.column_pattern is not None and rules.required == "no":
            # A pattern cannot tell an absent column from a misspelt one.
            raise wrong(f"fields.{name}.required", "a column by pattern is never optional", "no")


_SOURCES_OF_SHAPE = {
    "names": ("column", "column_pattern", "position", "label", "constant"),
    "none": ("position", "label", "constant"),
    "fixed": ("start", "label", "constant"),
    "report": ("label", "constant"),
    "frame-delimited": ("position", "constant"),
    "frame-fixed": ("start", "constant"),
    "frame-pairs": ("label", "constant"),
}


def _allowed_sources(form: Form) -> tuple[str, ...]:
    if form.table is not None:
        is_fixed = form.table.delimiter == "fixed"
        return _SOURCES_OF_SHAPE["fixed" if is_fixed else form.table.header]
    if form.frame is not None:
        return _SOURCES_OF_SHAPE[f"frame-{form.frame.layout}"]
    return _SOURCES_OF_SHAPE["report"]


def _check_field(form: Form, name: str, rules: FieldRules, wrong: Any) -> None:
    key = f"fields.{name}"
    if not _FIELD_NAME.fullmatch(name):
        raise wrong(
            key, "a field name is lower-case letters, digits and _, beginning with a letter"
        )
    standard = STANDARD_KINDS.get(name)
    if rules.kind is not None and standard is not None and rules.kind != standard:
        raise wrong(f"{key}.kind", f"{name} is always read as {standard}", rules.kind)
    allowed = _allowed_sources(form)
    if set(rules.below) & set(rules.above) or set(rules.no_value) & {*rules.below, *rules.above}:
        raise wrong(f"{key}.below", "one token cannot mean two things", rules.below)
    is_wide_value = name == "value" and form.table is not None and form.table.wide is not None
    if is_wide_value:
        if rules.sources:
            raise wrong(key, "takes its place from [table.wide]; leave out", rules.sources[0])
    elif len(rules.sources) != 1:
        got = " and ".join(rules.sources) or "none"
        raise wrong(key, f"states exactly one place, not {got}", allowed=allowed)
    elif rules.sources[0] not in allowed:
        raise wrong(f"{key}.{rules.sources[0]}", "does not go with this shape", allowed=allowed)
    kind = form.kind(name)
    if rules.unit_follows and name != "value":
        raise wrong(f"{key}.unit_follows", "goes with the field value only")
    if kind in ("number", "dilution"):
        decimal = rules.decimal or form.numbers.decimal
        thousands = form.numbers.thousands if rules.thousands is None else rules.thousands
        if decimal is None:
            raise wrong(
                f"{key}.decimal", "state the decimal mark here or in [numbers]", allowed=(".", ",")
            )
        if decimal == thousands:
            raise wrong(f"{key}.thousands", "cannot be the decimal mark", thousands)
    if kind in ("date", "time", "datetime") and not rules.patterns:
        raise wrong(
            f"{key}.patterns", f"state how a {kind} is written, such as YYYY-MM-DD hh:mm:ss"
        )
    for pattern in rules.patterns:
        _check_pattern(kind, pattern, partial(wrong, f"{key}.patterns"))


_GROUPS = {"YYYY": "y", "YY": "y", "MON": "m", "MM": "m", "M": "m", "DD": "d", "D": "d"}
_GROUPS |= {"hh": "h", "h": "h", "mm": "i", "ss": "s", "f": "f", "AP": "a", "ZZ": "z"}
_NEEDED = {"date": "ymd", "time": "hi", "datetime": "ymdhi"}
_POSSIBLE = {"date": "ymd", "time": "hisfaz", "datetime": "ymdhisfaz"}


def _check_pattern(kind: Kind, pattern: str, wrong: Any) -> None:
    """Refuse a pattern that states too little, twice the same, or could be cut two ways."""
    parts = [found[0] for found in DATE_PARTS.finditer(pattern)]
    groups = [_GROUPS[part] for part in parts if part in _GROUPS]
    if kind not in _NEEDED:
        raise wrong(f"goes with dates and times, not with {kind}", pattern)
    if len(groups) != len(set(groups)):
        raise wrong("states one part twice", pattern)
    if not set(_NEEDED[kind]) <= set(groups) <= set(_POSSIBLE[kind]):
        raise wrong(f"does not state exactly a {kind}", pattern)
    if ("f" in groups) > ("s" in groups):
        raise wrong("states a fraction without a second", pattern)
    for part, following in pairwise(parts):
        if part in ("M", "D", "h", "f") and following in _GROUPS and following not in ("AP", "ZZ"):
            raise wrong(f"nothing parts {part} from {following}; digits could go to both", pattern)
