"""One line of a table becomes cells, each with its first and last character in the line.

Quoting follows RFC 4180 to the letter: a cell is quoted as a whole or holds no quote, and a
quote inside a quoted cell is doubled. Anything else is refused rather than interpreted.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from parsers.cells import BLANKS
from parsers.forms import Form
from parsers.readings import Printed, Span
from parsers.text import Line, offsets_in

_WORDS: Final = re.compile(r"[^ \t]+")
_PHRASES: Final = re.compile(r"[^ \t]+(?: [^ \t]+)*")


class RowError(ValueError):
    """The line cannot be cut into cells; says at which character and what was expected."""

    def __init__(self, at: int, expected: str, *, is_open: bool = False) -> None:
        self.at = at
        self.expected = expected
        self.is_open = is_open
        super().__init__(expected)


@dataclass(frozen=True, slots=True)
class Row:
    """A line cut into cells.

    Attributes:
        cells: their texts, quotes undone.
        edges: first and behind-last character of each cell in the line, without its quotes.
        quote: the quote that is doubled inside quoted cells, "" where there is none.
    """

    cells: list[str]
    edges: list[tuple[int, int]]
    quote: str = ""

    def character(self, cell: int, at: int) -> int:
        """Index in the line of character `at` of a cell."""
        start, end = self.edges[cell]
        if self.quote and end - start != len(self.cells[cell]):
            at += self.cells[cell].count(self.quote, 0, at)
        return start + at


@dataclass(frozen=True, slots=True)
class PlacedRow:
    """A row with its place in the capture.

    Attributes:
        text: the characters of the row, line ends inside quotes included.
        row: its cells.
        span: its bytes.
        line: number of its first line.
        width: gives the bytes that a text takes.
    """

    text: str
    row: Row
    span: Span
    line: int
    width: Callable[[str], int]

    def offset(self, character: int) -> int:
        """Byte offset of a character of the row."""
        start, end = self.span
        if end - start == len(self.text):  # one byte a character
            return start + character
        return start + self.width(self.text[:character])

    def place(self, cell: int, start: int, end: int) -> Span:
        """The bytes of characters `start` to `end` of a cell."""
        first = self.row.character(cell, start)
        last = self.row.character(cell, end)
        return Span(self.offset(first), self.offset(last))


def placed(line: Line, row: Row, width: Callable[[str], int]) -> PlacedRow:
    """The row cut from a line, with its place in the capture."""
    return PlacedRow(line.text, row, Span(line.start, line.end), line.number, width)


Splitter = Callable[[str], Row]


def splitter(form: Form) -> Splitter:
    """The function that cuts a line of this form's table."""
    table = form.table
    if table is None:
        raise ValueError("only a table has rows")
    if table.delimiter == "spaces":
        return lambda line: _cut_at_runs(_WORDS, line)
    if table.delimiter == "gaps":
        return lambda line: _cut_at_runs(_PHRASES, line)
    if table.delimiter == "fixed":
        ranges = [
            (rules.start - 1, rules.end)
            for rules in form.fields.values()
            if rules.start is not None and rules.end is not None
        ]
        return lambda line: _cut_at_characters(ranges, line)
    delimiter, quote = delimiter_of(form), table.quote
    if not quote:
        return lambda line: _cut_plain(line, delimiter)
    return lambda line: (
        _cut_quoted(line, delimiter, quote) if quote in line else _cut_plain(line, delimiter)
    )


def delimiter_of(form: Form) -> str:
    """The single character between cells, "" for runs of blanks and fixed width."""
    if form.table is None or form.table.delimiter in ("spaces", "gaps", "fixed"):
        return ""
    return "\t" if form.table.delimiter == "tab" else form.table.delimiter


def _cut_plain(line: str, delimiter: str) -> Row:
    cells = line.split(delimiter)
    edges, at = [], 0
    for cell in cells:
        edges.append((at, at + len(cell)))
        at += len(cell) + 1
    return Row(cells, edges)


def _cut_quoted(line: str, delimiter: str, quote: str) -> Row:
    cells: list[str] = []
    edges: list[tuple[int, int]] = []
    at = 0
    while True:
        if line.startswith(quote, at):
            closing = _closing(line, quote, at)
            cells.append(line[at + 1 : closing].replace(quote * 2, quote))
            edges.append((at + 1, closing))
            behind = closing + 1
            if behind < len(line) and line[behind] != delimiter:
                raise RowError(behind, f"{delimiter!r} or the end of the row behind a quote")
        else:
            found = line.find(delimiter, at)
            behind = len(line) if found < 0 else found
            stray = line.find(quote, at, behind)
            if stray >= 0:
                raise RowError(stray, "no quote inside a cell that is not quoted as a whole")
            cells.append(line[at:behind])
            edges.append((at, behind))
        if behind >= len(line):
            return Row(cells, edges, quote)
        at = behind + 1


def _closing(line: str, quote: str, opening: int) -> int:
    """Index of the quote that closes the one at `opening`."""
    at = opening + 1
    while (found := line.find(quote, at)) >= 0:
        if not line.startswith(quote, found + 1):
            return found
        at = found + 2
    raise RowError(opening, "a closing quote", is_open=True)


def _cut_at_runs(pattern: re.Pattern[str], line: str) -> Row:
    found = list(pattern.finditer(line))
    return Row([match[0] for match in found], [match.span() for match in found])


def _cut_at_characters(ranges: list[tuple[int, int]], line: str) -> Row:
    """Cells at fixed characters; a word that sticks out of its columns is refused."""
    for start, end in ranges:
        for edge, outside in ((start, start - 1), (end, end)):
            is_word = 0 < edge < len(line) and not {line[edge - 1], line[edge]} & set(BLANKS)
            if is_word and not any(low <= outside < high for low, high in ranges):
                raise RowError(outside, f"a blank beside the columns {start + 1} to {end}")
    edges = [(min(start, len(line)), min(end, len(line))) for start, end in ranges]
    return Row([line[start:end] for start, end in edges], edges)


Divide = Callable[[str, str], Iterable[tuple[str, int, int]]]


@dataclass(frozen=True, slots=True)
class RowPlaces:
    """How to find a plain row's fields again in its text.

    Attributes:
        delimiter: the character between cells.
        columns: field name and index of its cell.
        divide: names the fields that the text of a place holds, and where in it they stand.
        supplied: text of each field that the row itself does not state.
        supplied_spans: where those of them stand that the capture states.
        width: gives the bytes that a text takes.
    """

    delimiter: str
    columns: tuple[tuple[str, int], ...]
    divide: Divide
    supplied: Mapping[str, str]
    supplied_spans: Mapping[str, Span]
    width: Callable[[str], int]


class PrintedRow(Printed):
    """The fields of a plain row, cut from its text when asked for.

    `printed_rows` makes one for each row and sets the attributes itself: a call of `__init__`
    would cost more than all the rest.
    """

    __slots__ = ("places", "start", "text")

    places: RowPlaces
    text: str
    start: int

    @property
    def fields(self) -> dict[str, str]:
        """Text of each field that has any."""
        places = self.places
        cells = self.text.split(places.delimiter)
        found = dict(places.supplied)
        for name, at in places.columns:
            for part, start, end in places.divide(name, cells[at]):
                found[part] = cells[at][start:end]
        return found

    def field(self, name: str) -> str:
        """Text of one field, "" where it has none; the others are not looked at."""
        places = self.places
        found = places.supplied.get(name, "")
        for column, at in places.columns:
            if column == name or (name == "unit" and column == "value"):  # may stand behind it
                cell = self.text.split(places.delimiter)[at]
                for part, start, end in places.divide(column, cell):
                    if part == name:
                        found = cell[start:end]
        return found

    @property
    def spans(self) -> dict[str, Span]:
        """Where each field stands that the capture states."""
        places, text = self.places, self.text
        row = _cut_plain(text, places.delimiter)
        offset_of = offsets_in(text, self.start, self.start + places.width(text), places.width)
        found = dict(places.supplied_spans)
        for name, at in places.columns:
            cell, edge = row.cells[at], row.edges[at][0]
            for part, start, end in places.divide(name, cell):
                found[part] = Span(offset_of(edge + start), offset_of(edge + end))
        return found


def printed_rows(
    places: RowPlaces, texts: Iterable[str], starts: Iterable[int]
) -> Iterator[PrintedRow]:
    """What plain rows state, one by one.

    Args:
        places: how to find a field in a row.
        texts: the rows.
        starts: byte offset of each.
    """
    new = object.__new__
    for text, start in zip(texts, starts, strict=True):
        row = new(PrintedRow)
        row.places = places
        row.text = text
        row.start = start
        yield row
