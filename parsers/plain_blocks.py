"""Runs of blocks that are laid out as the last one was are read column by column.

Most printouts have the same labels in the same order, block after block. The first block is read
by itself (`parsers.report`) and its labels kept; lines that begin with the same labels in the
same order, up to the same blank lines, are then certain to be a block of the same kind. The
first block that differs in any way ends the run and is read by itself again.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from parsers.assembly import Assembler
from parsers.columns import ColumnReader
from parsers.readings import Printed, Reading, Span
from parsers.rows import Divide
from parsers.text import Lines, offsets_in

_LONGEST: Final = 128  # blocks read at a time
_WORTHWHILE: Final = 4  # blocks that pay for the looking
_PATIENCE: Final = 32  # blocks left to others after a run that was too short


class Labelled(NamedTuple):
    """One line of a block: how it begins, and the field it states (None for one not read)."""

    head: str
    name: str | None


@dataclass(frozen=True, slots=True)
class BlockPlaces:
    """How to find the fields of a block again in its lines.

    Attributes:
        labels: the lines of a block.
        divide: names the fields that the text of a place holds, and where in it they stand.
        supplied: text of each field that no line states.
        width: gives the bytes that a text takes.
    """

    labels: Sequence[Labelled]
    divide: Divide
    supplied: dict[str, str]
    width: Callable[[str], int]


class PrintedBlock(Printed):
    """The fields of a block, cut from its lines when asked for."""

    __slots__ = ("places", "starts", "texts")

    def __init__(self, places: BlockPlaces, texts: list[str], starts: list[int]) -> None:
        self.places = places
        self.texts = texts
        self.starts = starts

    @property
    def fields(self) -> dict[str, str]:
        """Text of each field that has any."""
        found = dict(self.places.supplied)
        for (head, name), line in zip(self.places.labels, self.texts, strict=True):
            text = line[len(head) :]
            for part, start, end in self.places.divide(name, text) if name else ():
                found[part] = text[start:end]
        return found

    @property
    def spans(self) -> dict[str, Span]:
        """Where each field stands that a line states."""
        found = {}
        width = self.places.width
        for (head, name), line, begin in zip(
            self.places.labels, self.texts, self.starts, strict=True
        ):
            offset_of, at = offsets_in(line, begin, begin + width(line), width), len(head)
            for part, start, end in self.places.divide(name, line[at:]) if name else ():
                found[part] = Span(offset_of(at + start), offset_of(at + end))
        return found


class Run(NamedTuple):
    """Readings of the blocks, one each, and the index of the line behind them."""

    readings: list[Reading]
    stopped_at: int


class BlockRuns:
    """Reads runs of blocks with the same labels, parted by blank lines."""

    def __init__(
        self, assembler: Assembler, longest_line: int, width: Callable[[str], int]
    ) -> None:
        self._assembler = assembler
        self._longest_line = longest_line
        self._width = width
        self._labels: tuple[Labelled, ...] = ()
        self._columns: ColumnReader | None = None
        self._places: BlockPlaces | None = None
        self._waits = 0

    def learn(self, labels: Sequence[Labelled]) -> None:
        """Take the lines of a block that gave a reading for those of the next ones."""
        self._waits = max(self._waits - 1, 0)
        if self._labels == tuple(labels):
            return
        self._labels = tuple(labels)
        names = [label.name for label in labels if label.name is not None]
        self._columns = ColumnReader.fitting(self._assembler, names, {})
        if self._columns is not None:
            self._places = BlockPlaces(
                labels, self._assembler.divide, self._columns.supplied_texts, self._width
            )

    def read(self, lines: Lines, at: int, most: int) -> Run:
        """Readings of the blocks that begin at index `at`, at most so many."""
        readings: list[Reading] = []
        period = self._period(lines, at)
        start = at
        count = min((len(lines.texts) - at) // period, most) if period else 0
        if count < _WORTHWHILE:
            return Run([], at)
        while count:
            wanted = min(count, _LONGEST)
            made = self._read(lines, at, wanted, period)
            readings += made
            at += len(made) * period
            if len(made) < wanted:
                break
            count -= wanted
        if len(readings) < _WORTHWHILE:
            self._waits = _PATIENCE
        return Run(readings, start + len(readings) * period)

    def _period(self, lines: Lines, at: int) -> int:
        """Lines from the start of a block to that of the next; 0 where none may be read here."""
        texts, size = lines.texts, len(self._labels)
        if self._columns is None or self._waits or lines.damaged or not lines.is_printable:
            return 0
        if not texts[at].startswith(self._labels[0].head):
            return 0
        behind = at + size
        while behind < len(texts) and not texts[behind]:
            behind += 1
        return 0 if behind == at + size else behind - at

    def _read(self, lines: Lines, at: int, count: int, period: int) -> list[Reading]:
        texts, size = lines.texts, len(self._labels)
        end = at + count * period
        cells: list[Sequence[str]] = []
        for place in range(period):
            column = texts[at + place : end : period]
            head, name = self._labels[place] if place < size else ("", None)
            count = min(count, _alike(column, head, is_blank=place >= size))
            if name is not None:
                cells.append([text[len(head) :].strip() for text in column])
        columns, places = self._columns, self._places
        if columns is None or places is None or not count:
            return []
        firsts = range(at, at + count * period, period)
        if max(map(len, texts[at : at + count * period])) > self._longest_line:
            return []
        return columns.read(
            [column[:count] for column in cells],
            printed=[
                PrintedBlock(
                    places, texts[first : first + size], lines.starts[first : first + size]
                )
                for first in firsts
            ],
            edges=[(lines.starts[first], lines.ends[first + size - 1]) for first in firsts],
            lines=[lines.first + first for first in firsts],
        )


def _alike(column: Sequence[str], head: str, *, is_blank: bool) -> int:
    """How many texts, from the first on, begin so; or are blank."""
    if is_blank:
        return next((at for at, text in enumerate(column) if text), len(column))
    return next((at for at, text in enumerate(column) if not text.startswith(head)), len(column))
