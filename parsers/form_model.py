"""What a form may say about its shape, and the form as a whole."""

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from parsers.checksums import CHECKSUMS
from parsers.form_keys import (
    STANDARD_KINDS,
    FieldRules,
    Kind,
    Limits,
    NumberRules,
    Pattern,
    Patterns,
    RawBytes,
    RecogniseRules,
    Rules,
    Shape,
    TextRules,
    Texts,
)


def _is_checksum(value: str) -> str:
    if value not in CHECKSUMS:
        raise ValueError(f"is no checksum known here; there are {', '.join(CHECKSUMS)}")
    return value


class AnalyteColumn(Rules):
    """One analyte of a wide table: its header cell, the method it stands for, its unit."""

    column: Texts
    method: str
    unit: str | None = None


class WideRules(Rules):
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


class TableRules(Rules):
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


class ReportRules(Rules):
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


class LengthField(Rules):
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


class ChecksumRules(Rules):
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


class FrameRules(Rules):
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


class Form(Rules):
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
