"""What stands above the rows of a table: the header, and lines that state fields for all rows.

Above a header there may be words, but no rows and nothing that may be a damaged header; above a
later block nothing stands that the form does not know. Otherwise rows whose header was damaged
would pass for words and be lost without a word.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import NoReturn

from parsers.assembly import Assembler, Found
from parsers.cells import BLANKS, CONTROL, CellError, shown
from parsers.errors import ParseError
from parsers.forms import FieldRules, Form, TableRules
from parsers.layout import Layout, bind, layout_without_names, looks_like
from parsers.readings import Fault
from parsers.row_reading import RowReader
from parsers.rows import Row, RowError, Splitter, delimiter_of, placed
from parsers.text import Line


class NoHeading(Exception):
    """Here is no heading that fits: an error of the capture, or of one block in it."""

    def __init__(self, *, offset: int, line: int, expected: str, found: str) -> None:
        self.offset = offset
        self.line = line
        self.expected = expected
        self.found = shown(found)
        super().__init__(expected)


@dataclass(frozen=True, slots=True)
class Heading:
    """A header that was found.

    Attributes:
        layout: how the rows below it are to be read.
        stated: fields that the lines above it state.
        line: the header line itself.
        faults: lines above it that should not be there.
    """

    layout: Layout
    stated: dict[str, Found]
    line: Line
    faults: list[Fault]


class HeadingSeeker:
    """Takes line after line until one is the header."""

    def __init__(
        self, form: Form, table: TableRules, assembler: Assembler, width: Callable[[str], int]
    ) -> None:
        self._form = form
        self._rules = table
        self._assembler = assembler
        self._width = width
        self._wanted = {name: rules for name, rules in form.fields.items() if rules.label}
        self._labels = {label for rules in self._wanted.values() for label in rules.label}
        self._is_header = re.compile(table.header_pattern or "").fullmatch
        self.begin(0, 0, {}, is_first=True)

    def begin(self, offset: int, line: int, stated: dict[str, Found], *, is_first: bool) -> None:
        """Start anew behind line number `line`, at byte `offset`, with what is stated so far."""
        self.start = (offset, line)
        self.faults: list[Fault] = []
        self._is_first = is_first
        self._stated = {
            name: found
            for name, found in stated.items()
            if name in self._wanted and self._wanted[name].holds == "file"
        }
        self._lines: list[Line] = []
        self._best: tuple[int, Line, tuple[str, ...]] | None = None

    @property
    def has_content(self) -> bool:
        """Something stands here that needs a header: anything, in a first block."""
        return self._is_first or any(line.text.strip(BLANKS) for line in self._lines)

    def take(self, line: Line, split: Splitter) -> Heading | None:
        """The heading, if this line is the header.

        Raises:
            NoHeading: it is the header but cannot be used, or too many lines came before it.
        """
        layout = self._layout(line, split)
        if layout is None:
            self._lines.append(line)
            if len(self._lines) >= self._rules.header_within and self.has_content:
                self.give_up()
            return None
        stated = self._read_stated(line, split)
        self._check_units(line, layout)
        reader = RowReader(self._assembler, layout, stated, may_be_short=self._rules.short_rows)
        best = self._best
        nearly = best[1] if best and best[0] >= len(best[2]) else None
        faults = self.faults
        for above in self._lines:
            is_known = self._label_of(above, split)[0] in self._labels
            if above.text.strip(BLANKS) and not is_known:
                faults += self._judge_unknown(above, split, reader, is_nearly=above is nearly)
        return Heading(layout, stated, line, faults)

    def give_up(self) -> NoReturn:
        """There is no header here.

        Raises:
            NoHeading: always, with the likeliest reason.
        """
        zero = next((line for line in self._lines if "\0" in line.text), None)
        if zero is not None:
            offset = zero.start + self._width(zero.text[: zero.text.index("\0")])
            expected = "text without NUL bytes (UTF-16 without a byte order mark is declared)"
            raise NoHeading(offset=offset, line=zero.number, expected=expected, found=zero.text)
        if self.faults and not (self._best and self._best[0]):
            first = self.faults.pop(0)
            raise NoHeading(
                offset=first.offset, line=first.line, expected=first.expected, found=first.found
            )
        if self._best:
            matched, line, missing = self._best
            columns = ", ".join(missing)
            expected = f"a header row with the columns {columns}"
            if matched:
                expected = f"also the columns {columns} in the header"
            raise _at(line, expected)
        wanted = self._rules.header_pattern or "names of its columns"
        expected = f"a header line: {wanted}"
        if self._lines:
            raise _at(self._lines[0], expected)
        offset, number = self.start
        raise NoHeading(offset=offset, line=number, expected=expected, found="")

    def _layout(self, line: Line, split: Splitter) -> Layout | None:
        """The layout, if the line is the header."""
        if not self._rules.has_names:
            return layout_without_names(self._form) if self._is_header(line.text) else None
        try:
            result = bind(self._form, placed(line, split(line.text), self._width))
        except RowError:
            return None
        except ParseError as error:
            raise NoHeading(
                offset=error.offset, line=line.number, expected=error.expected, found=error.found
            ) from None
        if isinstance(result, Layout):
            return result
        if self._best is None or result.matched > self._best[0]:
            self._best = (result.matched, line, result.missing)
        return None

    def _check_units(self, line: Line, layout: Layout) -> None:
        """Units in the header are known; else the whole table below would be in doubt."""
        found = [*layout.stated.items()]
        found += [("unit", one.unit) for one in layout.analytes if one.unit is not None]
        for name, (text, span) in found:
            try:
                self._assembler.read(name, text)
            except CellError as error:
                offset = span.start if span else line.start
                expected = f"{name}: {error.expected}"
                raise NoHeading(
                    offset=offset, line=line.number, expected=expected, found=text
                ) from None

    def _judge_unknown(
        self, line: Line, split: Splitter, reader: RowReader, *, is_nearly: bool
    ) -> list[Fault]:
        expected = ""
        if not self._is_first:
            expected = "a line the form knows (its label, or a pattern in ignore) above a header"
        elif is_nearly:
            expected = "one header; this line is nearly one"
        elif not CONTROL.search(line.text):
            try:
                readings, _ = reader.read(placed(line, split(line.text), self._width))
            except RowError:
                readings = []
            expected = "no row above the header" if readings else ""
        if not expected:
            return []
        found = shown(line.text)
        return [
            Fault(offset=line.start, line=line.number, field="", expected=expected, found=found)
        ]

    # ---- fields stated above the header

    def _read_stated(self, header: Line, split: Splitter) -> dict[str, Found]:
        stated = dict(self._stated)
        seen: set[str] = set()
        for line in self._lines if self._wanted else ():
            label, cut = self._label_of(line, split)
            for name, rules in self._wanted.items():
                if cut is None or label not in rules.label:
                    continue
                if name in seen:
                    raise _at(line, f"one line {_words(rules)} per block")
                seen.add(name)
                stated.pop(name, None)
                stated.update(self._text_of(name, line, cut))
        for name, rules in self._wanted.items():
            if name not in seen and name not in stated:
                self._check_absent(rules, header)
        return stated

    def _label_of(self, line: Line, split: Splitter) -> tuple[str, tuple[int, int] | None]:
        """The label of a line above the header, and the characters of its text."""
        separator = self._rules.stated_separator
        if separator == delimiter_of(self._form):
            try:
                row = split(line.text)
            except RowError:
                return "", None
            if len(row.cells) < 2 or any(cell.strip(BLANKS) for cell in row.cells[2:]):
                return "", None
            return row.cells[0].strip(BLANKS), row.edges[1]
        label, found, _ = line.text.partition(separator)
        if not found:
            return "", None
        return label.strip(BLANKS), (len(label) + len(separator), len(line.text))

    def _text_of(self, name: str, line: Line, cut: tuple[int, int]) -> dict[str, Found]:
        """The field that a line states, once it is known to be readable."""
        text = line.text[cut[0] : cut[1]]
        row = placed(line, Row([text], [cut]), self._width)
        found: dict[str, Found] = {}
        expected = ""
        try:
            for part, start, end in self._assembler.divide(name, text):
                found[part] = Found(text[start:end], row.place(0, start, end))
                self._assembler.read(part, text[start:end])
        except CellError as error:
            expected = error.expected
        if CONTROL.search(text):
            expected = "text without control characters"
        elif not found and not expected and self._wanted[name].required != "place":
            expected = self._assembler.wanted(name)
        if expected:
            offset = row.offset(cut[0])
            expected = f"{name}: {expected}"
            raise NoHeading(offset=offset, line=line.number, expected=expected, found=text)
        return found

    def _check_absent(self, rules: FieldRules, header: Line) -> None:
        """The label may be absent, and no line looks like a damaged spelling of it."""
        if rules.required != "no":
            raise _at(header, f"a line {_words(rules)} above the header")
        separator = self._rules.stated_separator
        for line in self._lines:
            text = line.text.strip(BLANKS)
            beside = text.partition(separator)[0].strip(BLANKS)
            for label in rules.label:
                if beside and (looks_like(text[: len(label)], label) or looks_like(beside, label)):
                    raise _at(line, f"{label} and {separator!r} exactly so")


def _at(line: Line, expected: str) -> NoHeading:
    return NoHeading(offset=line.start, line=line.number, expected=expected, found=line.text)


def _words(rules: FieldRules) -> str:
    return f"labelled {' or '.join(rules.label)}"
