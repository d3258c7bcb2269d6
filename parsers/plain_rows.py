"""Runs of plain rows are cut into columns, all of a run at once.

A row is plain when it is printable, holds no quote and has as many cells as the header. The
first row that is not plain, or in which anything does not fit, ends the run; `parsers.table`
reads that one by itself.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Final, NamedTuple

from parsers.assembly import Assembler, Found
from parsers.columns import ColumnReader
from parsers.layout import Layout
from parsers.readings import Reading
from parsers.rows import RowPlaces, delimiter_of, printed_rows
from parsers.text import Lines

_SHORTEST: Final = 16  # rows tried first; doubled while they stay plain
_LONGEST: Final = 512
_BETWEEN: Final = "\n"  # stands in no line, so it shows where one ended


class Run(NamedTuple):
    """Readings of the plain rows, how many they were, and the index of the line behind them."""

    readings: list[Reading]
    rows: int
    stopped_at: int


class PlainRows:
    """Reads runs of plain rows under one header."""

    def __init__(
        self, columns: ColumnReader, assembler: Assembler, places: RowPlaces, cells: int
    ) -> None:
        form = assembler.form
        self._columns = columns
        self._places = places
        self._indices = [at for _, at in places.columns]
        self._cells = cells
        self._limits = form.limits
        self._step = _SHORTEST
        table = form.table
        self._quote = table.quote if table else ""
        patterns = [*table.ignore, *([table.end] if table.end else [])] if table else []
        self._is_special = [re.compile(pattern).fullmatch for pattern in patterns]

    @classmethod
    def fitting(
        cls,
        assembler: Assembler,
        layout: Layout,
        stated: Mapping[str, Found],
        width: Callable[[str], int],
    ) -> "PlainRows | None":
        """A reader for this layout; None where the form asks for more than plain rows."""
        form = assembler.form
        delimiter, cells = delimiter_of(form), layout.cells
        if not delimiter or cells is None or layout.analytes:
            return None
        if not 2 <= cells <= form.limits.fields:
            return None
        columns = ColumnReader.fitting(assembler, [name for name, _ in layout.columns], stated)
        if columns is None:
            return None
        places = RowPlaces(
            delimiter=delimiter,
            columns=layout.columns,
            divide=assembler.divide,
            supplied={name: found.text for name, found in columns.supplied.items()},
            supplied_spans={
                name: found.span for name, found in columns.supplied.items() if found.span
            },
            width=width,
        )
        return cls(columns, assembler, places, cells)

    def read(self, lines: Lines, at: int, rows_before: int) -> Run:
        """Readings of the plain rows from index `at` on, up to the first line that is not."""
        readings: list[Reading] = []
        start = at
        count = min(len(lines.texts), at + self._limits.rows - rows_before)
        while at < count:
            until = min(at + self._step, count)
            made = self._readings(lines, at, until)
            readings += made
            at += len(made)
            if at < until:
                self._step = _SHORTEST
                break
            self._step = min(2 * self._step, _LONGEST)
        return Run(readings, at - start, at)

    def _readings(self, lines: Lines, at: int, until: int) -> list[Reading]:
        """Readings of the lines from `at` up to the first that is not plain or does not fit."""
        texts = lines.texts[at:until]
        joined = self._joined(texts)
        cells = joined.split(self._places.delimiter)
        if not self._are_plain(texts, joined, cells, is_printable=lines.is_printable):
            texts = texts[: self._first_not_plain(texts)]
            joined = self._joined(texts)
            cells = joined.split(self._places.delimiter)
        if not texts:
            return []
        step = self._cells + 1
        starts = lines.starts[at:until]
        return self._columns.read(
            [cells[index::step] for index in self._indices],
            is_bare=self._is_bare(joined),
            printed=printed_rows(self._places, texts, starts),
            edges=zip(starts, lines.ends[at:until], strict=True),
            lines=range(lines.first + at, lines.first + until),
        )

    def _joined(self, texts: Sequence[str]) -> str:
        """The lines one behind another, parted by a cell that no line can hold."""
        delimiter = self._places.delimiter
        return f"{delimiter}{_BETWEEN}{delimiter}".join(texts)

    def _are_plain(
        self, texts: list[str], joined: str, cells: list[str], *, is_printable: bool
    ) -> bool:
        """All lines are plain, seen at one glance."""
        count, step = len(texts), self._cells + 1
        return (
            len(cells) == count * step - 1
            and cells[step - 1 :: step].count(_BETWEEN) == count - 1
            and not (self._quote and self._quote in joined)
            and not self._is_special
            and max(map(len, texts)) <= self._limits.line_length
            and (is_printable or self._is_printable("".join(texts)))
        )

    def _first_not_plain(self, texts: list[str]) -> int:
        """Index of the first line that is not plain; their number where all are."""
        for at, text in enumerate(texts):
            if (
                text.count(self._places.delimiter) != self._cells - 1
                or (self._quote and self._quote in text)
                or len(text) > self._limits.line_length
                or not self._is_printable(text)
                or any(is_special(text) for is_special in self._is_special)
            ):
                return at
        return len(texts)

    def _is_printable(self, text: str) -> bool:
        delimiter = self._places.delimiter
        return (text if delimiter != "\t" else text.replace("\t", "")).isprintable()

    def _is_bare(self, joined: str) -> bool:
        """No cell of these printable lines begins or ends with a blank."""
        delimiter = self._places.delimiter
        return not (
            f" {delimiter}" in joined
            or f"{delimiter} " in joined
            or joined.startswith(" ")
            or joined.endswith(" ")
            or (delimiter != "\t" and "\t" in joined)
        )
