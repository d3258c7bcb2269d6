"""Runs of plain rows are cut into columns, all of a run at once.

A row is plain when it is printable, holds no quote and has as many cells as the layout. The
first row that is not plain, or in which anything does not fit, ends the run; whoever asked reads
that one by itself. The message in a frame may be such a row too.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from parsers.assembly import Assembler, Found
from parsers.columns import ColumnReader
from parsers.layout import Layout
from parsers.readings import Reading
from parsers.rows import RowPlaces, delimiter_of, printed_rows
from parsers.text import Lines

SHORTEST_RUN: Final = 16  # rows tried first; doubled while they stay plain
LONGEST_RUN: Final = 512
_BETWEEN: Final = "\n"  # stands in no line, so it shows where one ended


class Run(NamedTuple):
    """Readings of the plain rows, how many they were, and the index of the line behind them."""

    readings: list[Reading]
    rows: int
    stopped_at: int


class PlainRows:
    """Reads runs of plain rows of one layout.

    Args:
        columns: reads their cells.
        places: where in a row they stand.
        cells: number of cells in a row.
        quote: a row that holds it is not plain; "" for none.
        longest: characters in a row.
        special: patterns of lines that are no rows.
    """

    def __init__(
        self,
        columns: ColumnReader,
        places: RowPlaces,
        cells: int,
        *,
        quote: str = "",
        longest: int | None = None,
        special: Sequence[str] = (),
    ) -> None:
        self._columns = columns
        self._places = places
        self._indices = [at for _, at in places.columns]
        self._cells = cells
        self._quote = quote
        self._longest = longest
        self._is_special = [re.compile(pattern).fullmatch for pattern in special]

    def read(
        self,
        texts: Sequence[str],
        starts: Sequence[int],
        *,
        edges: Iterable[tuple[int, int]],
        lines: Iterable[int],
        is_printable: bool,
    ) -> list[Reading]:
        """Readings of the rows up to the first that is not plain or does not fit.

        Args:
            texts: the rows.
            starts: byte offset of each text.
            edges: first and behind-last byte of what each reading is read from.
            lines: its line number.
            is_printable: all characters are known to be.
        """
        joined = self._joined(texts)
        cells = joined.split(self._places.delimiter)
        if not self._are_plain(texts, joined, cells, is_printable=is_printable):
            texts = texts[: self._first_not_plain(texts)]
            cells = self._joined(texts).split(self._places.delimiter)
        if not texts:
            return []
        step = self._cells + 1
        return self._columns.read(
            [cells[index::step] for index in self._indices],
            printed=printed_rows(self._places, texts, starts),
            edges=edges,
            lines=lines,
        )

    def _joined(self, texts: Sequence[str]) -> str:
        """The lines one behind another, parted by a cell that no line can hold."""
        delimiter = self._places.delimiter
        return f"{delimiter}{_BETWEEN}{delimiter}".join(texts)

    def _are_plain(
        self, texts: Sequence[str], joined: str, cells: Sequence[str], *, is_printable: bool
    ) -> bool:
        """All lines are plain, seen at one glance."""
        count, step = len(texts), self._cells + 1
        return (
            len(cells) == count * step - 1
            and cells[step - 1 :: step].count(_BETWEEN) == count - 1
            and not (self._quote and self._quote in joined)
            and not self._is_special
            and (self._longest is None or max(map(len, texts)) <= self._longest)
            and (is_printable or self._is_printable("".join(texts)))
        )

    def _first_not_plain(self, texts: Sequence[str]) -> int:
        """Index of the first line that is not plain; their number where all are."""
        for at, text in enumerate(texts):
            if (
                text.count(self._places.delimiter) != self._cells - 1
                or (self._quote and self._quote in text)
                or (self._longest is not None and len(text) > self._longest)
                or not self._is_printable(text)
                or any(is_special(text) for is_special in self._is_special)
            ):
                return at
        return len(texts)

    def _is_printable(self, text: str) -> bool:
        delimiter = self._places.delimiter
        return (text if delimiter != "\t" else text.replace("\t", "")).isprintable()


class RowRuns:
    """Reads the plain rows under one header, run by run."""

    def __init__(self, rows: PlainRows, limit: int) -> None:
        self._rows = rows
        self._limit = limit
        self._step = SHORTEST_RUN

    @classmethod
    def fitting(
        cls,
        assembler: Assembler,
        layout: Layout,
        stated: Mapping[str, Found],
        width: Callable[[str], int],
    ) -> "RowRuns | None":
        """A reader for this layout; None where the form asks for more than plain rows."""
        form, table = assembler.form, assembler.form.table
        delimiter, cells = delimiter_of(form), layout.cells
        if table is None or not delimiter or cells is None or layout.analytes:
            return None
        if not 2 <= cells <= form.limits.fields:
            return None
        columns = ColumnReader.fitting(assembler, [name for name, _ in layout.columns], stated)
        if columns is None:
            return None
        rows = PlainRows(
            columns,
            RowPlaces(
                delimiter=delimiter,
                columns=layout.columns,
                divide=assembler.divide,
                supplied=columns.supplied_texts,
                supplied_spans=columns.supplied_spans,
                width=width,
            ),
            cells,
            quote=table.quote,
            longest=form.limits.line_length,
            special=[*table.ignore, *([table.end] if table.end else [])],
        )
        return cls(rows, form.limits.rows)

    def read(self, lines: Lines, at: int, rows_before: int) -> Run:
        """Readings of the plain rows from index `at` on, up to the first line that is not."""
        readings: list[Reading] = []
        start = at
        count = min(len(lines.texts), at + self._limit - rows_before)
        while at < count:
            until = min(at + self._step, count)
            starts = lines.starts[at:until]
            made = self._rows.read(
                lines.texts[at:until],
                starts,
                edges=zip(starts, lines.ends[at:until], strict=True),
                lines=range(lines.first + at, lines.first + until),
                is_printable=lines.is_printable,
            )
            readings += made
            at += len(made)
            if at < until:
                self._step = SHORTEST_RUN
                break
            self._step = min(2 * self._step, LONGEST_RUN)
        return Run(readings, at - start, at)
