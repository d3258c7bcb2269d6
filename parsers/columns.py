"""Runs of plain rows are read column by column, which is several times quicker than row by row.

A row is plain when it is printable, holds no quote, has as many cells as the header and needs no
more than the fields' own readers. The first row that is not plain, or in which anything does not
fit, ends the run; `parsers.table` reads that one with all its care and says what is wrong. Both
ways give equal readings (tests/parsers/test_columns.py).

Three tricks pay for themselves a million times over: the meaning of a text already seen is
looked up, blanks are stripped only from runs that have any, and a Reading is filled through a
twin class without the guard of a frozen dataclass.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, time, timedelta
from itertools import repeat
from operator import add, itemgetter
from typing import Any, Final, NamedTuple

from parsers.assembly import Assembler, Found, certain
from parsers.cells import CellError, Halves, Measured, halves
from parsers.forms import Form
from parsers.layout import Layout
from parsers.readings import Reading, Span
from parsers.rows import RowFields, RowPlaces, RowSpans, delimiter_of
from parsers.text import Lines

_KEPT: Final = (
    100_000  # (more than the seconds of a day) meanings remembered for one column; then begun anew
)
_SHORTEST: Final = 16  # rows tried first; doubled while they stay plain
_LONGEST: Final = 512
_BAD: Final = object()
_AS_ZERO: Final = str.maketrans("123456789", "000000000")


class Run(NamedTuple):
    """Readings of the plain rows, how many they were, and the index of the line behind them."""

    readings: list[Reading]
    rows: int
    stopped_at: int


Meant = tuple[Sequence[Any], int]  # what each cell means; how many come before the first misfit


class _Meanings(dict[str, Any]):
    """Text of a cell to what it means; `_BAD` (never kept) for what does not fit."""

    def __init__(self, read: Callable[[str], Any], empty: Any, *, has_blanks: bool = True) -> None:
        super().__init__()
        self._read = read
        self._has_blanks = has_blanks  # blanks around a cell are no part of its text
        self._empty = empty
        self._has_misfit = False

    def __missing__(self, cell: str) -> Any:
        text = cell.strip() if self._has_blanks else cell
        try:
            meaning = self._read(text) if text else self._empty
        except CellError:
            meaning = _BAD
        if meaning is _BAD:
            self._has_misfit = True
            return meaning
        if len(self) >= _KEPT:
            self.clear()
        self[cell] = meaning
        return meaning

    def of(self, column: Sequence[str]) -> Meant:
        """The meaning of each cell."""
        self._has_misfit = False
        values = itemgetter(*column)(self) if len(column) > 1 else (self[column[0]],)
        if not self._has_misfit:
            return values, len(values)
        return values, next(at for at, value in enumerate(values) if value is _BAD)


class _Moments:
    """Texts of a datetime column to what they mean, date and time remembered apart."""

    def __init__(self, cut: Halves, whole: _Meanings) -> None:
        self._cut = cut
        self._whole = whole
        self._days = _Meanings(self._read_day, _BAD, has_blanks=False)
        self._clocks = _Meanings(self._read_clock, _BAD, has_blanks=False)

    def of(self, column: Sequence[str]) -> Meant:
        """The meaning of each cell."""
        cut, count = self._cut, len(column)
        if set(map(len, column)) == {cut.length}:
            behind = cut.date_length + len(cut.between)
            days, good_days = self._days.of([text[:behind] for text in column])
            clocks, good_clocks = self._clocks.of([text[behind:] for text in column])
            if good_days == good_clocks == count:
                return list(map(add, days, clocks)), count
        return self._whole.of(column)

    def _read_day(self, text: str) -> Any:
        """Midnight of the date in a text that ends with what stands before the time."""
        if not text.endswith(self._cut.between):
            return _BAD
        day: Any = self._cut.date.read(text[: self._cut.date_length])
        return datetime.combine(day, time.min)

    def _read_clock(self, text: str) -> timedelta:
        """Time since midnight: a sum of the two is quicker than their combination."""
        clock: Any = self._cut.time.read(text)
        return timedelta(hours=clock.hour, minutes=clock.minute, seconds=clock.second)


class _IsoMoments:
    """Texts of a datetime column written as ISO 8601 writes them, read by the standard library.

    It would also take other spellings of the standard; therefore every text is first shown to
    have digits and marks exactly where the pattern has them.
    """

    def __init__(self, pattern: str, others: Callable[[Sequence[str]], Meant]) -> None:
        self._shape = re.sub("[YMDhms]", "0", pattern)
        self._others = others

    @staticmethod
    def reads(pattern: str) -> bool:
        """The pattern is one of ISO 8601 with all its marks."""
        return re.fullmatch("YYYY-MM-DD[ T]hh:mm(:ss)?", pattern) is not None

    def of(self, column: Sequence[str]) -> Meant:
        """The meaning of each cell."""
        count = len(column)
        if "\n".join(column).translate(_AS_ZERO) == "\n".join([self._shape] * count):
            try:
                return list(map(datetime.fromisoformat, column)), count
            except ValueError:  # no such day or time: the other way says which
                pass
        return self._others(column)


class _Column(NamedTuple):
    name: str
    cell: int
    meanings: Callable[[Sequence[str]], Meant] | None  # None: plain text
    is_required: bool


# A class of the same slots without the guard: filled, then turned into the guarded one.
_OpenReading: Any = type("_OpenReading", (), {"__slots__": Reading.__slots__})


class ColumnReader:
    """Reads runs of plain rows under one header."""

    def __init__(
        self,
        assembler: Assembler,
        columns: list[_Column],
        supplied: Mapping[str, Found],
        places: RowPlaces,
        cells: int,
    ) -> None:
        form = assembler.form
        self._form = form
        self._columns = columns
        self._meant = {
            name: _reader(assembler, name)(found.text) for name, found in supplied.items()
        }
        self._supplied = supplied
        self._places = places
        self._cells = cells
        self._step = _SHORTEST
        table = form.table
        self._quote = table.quote if table else ""
        patterns = [*table.ignore, *([table.end] if table.end else [])] if table else []
        self._printed = {
            *form.identity,
            *(column.name for column in columns if column.meanings is None),
        }
        self._is_special = [re.compile(pattern).fullmatch for pattern in patterns]

    @classmethod
    def fitting(
        cls,
        assembler: Assembler,
        layout: Layout,
        stated: Mapping[str, Found],
        width: Callable[[str], int],
    ) -> "ColumnReader | None":
        """A reader for this layout; None where the form asks for more than plain rows."""
        form = assembler.form
        delimiter = delimiter_of(form)
        if not delimiter or layout.cells is None or layout.analytes or form.table is None:
            return None
        if layout.cells > form.limits.fields or layout.cells < 2:
            return None
        bound = {name for name, _ in layout.columns}
        for name in bound:
            rules = form.fields[name]
            if rules.prefix or rules.suffix or rules.unit_follows or rules.default is not None:
                return None
        supplied = {**_supplied_by(form, bound), **stated}
        try:
            for name, found in supplied.items():
                assembler.read(name, found.text)
        except CellError:
            return None
        required = {name for name, rules in form.fields.items() if rules.required == "value"}
        if not required & bound or required - bound - set(supplied):
            return None
        columns = [
            _Column(
                name,
                at,
                _meanings(assembler, name, is_required=name in required),
                name in required,
            )
            for name, at in layout.columns
        ]
        places = RowPlaces(
            delimiter=delimiter,
            columns=layout.columns,
            supplied={name: found.text for name, found in supplied.items()},
            supplied_spans={name: f.span for name, f in supplied.items() if f.span is not None},
            width=width,
        )
        return cls(assembler, columns, supplied, places, layout.cells)

    def read(self, lines: Lines, at: int, rows_before: int) -> Run:
        """Readings of the plain rows from index `at` on, up to the first line that is not."""
        readings: list[Reading] = []
        start, count = at, len(lines.texts)
        count = min(count, at + self._form.limits.rows - rows_before)
        while at < count:
            until = min(at + self._step, count)
            rows = self._plain(lines.texts[at:until], is_printable=lines.is_printable)
            wanted = until - at
            made = self._readings(rows, lines, at) if rows else []
            readings += made
            at += len(made)
            if len(made) < wanted:
                self._step = _SHORTEST
                break
            self._step = min(2 * self._step, _LONGEST)
        return Run(readings, at - start, at)

    def _plain(self, texts: list[str], *, is_printable: bool) -> list[list[str]]:
        """The cells of the lines up to the first that is not plain."""
        delimiter, quote, limit = (
            self._places.delimiter,
            self._quote,
            self._form.limits.line_length,
        )
        rows = [text.split(delimiter) for text in texts]
        if (
            set(map(len, rows)) == {self._cells}
            and (
                is_printable
                or all(map(str.isprintable, texts if delimiter != "\t" else map("".join, rows)))
            )
            and max(map(len, texts)) <= limit
            and not self._is_special
            and not (quote and quote in "".join(texts))
        ):
            return rows
        for at, (text, row) in enumerate(zip(texts, rows, strict=True)):
            printed = text if delimiter != "\t" else text.replace("\t", "")
            if (
                len(row) != self._cells
                or not printed.isprintable()
                or len(text) > limit
                or (quote and quote in text)
                or any(is_special(text) for is_special in self._is_special)
            ):
                return rows[:at]
        return rows

    def _readings(self, rows: list[list[str]], lines: Lines, at: int) -> list[Reading]:
        """One reading a row, up to the first row in which something does not fit."""
        count = len(rows)
        cells = list(zip(*rows, strict=True))
        meant: dict[str, Iterable[Any]] = {
            name: repeat(meaning, count) for name, meaning in self._meant.items()
        }
        printed: dict[str, Iterable[str]] = {
            name: repeat(found.text, count) for name, found in self._supplied.items()
        }
        is_bare = not _has_blanks(lines.texts[at : at + count], self._places.delimiter)
        for name, cell, meanings, is_required in self._columns:
            column = cells[cell]
            texts: Sequence[str] = ()
            if name in self._printed:
                texts = column if is_bare else list(map(str.strip, column))
            printed[name] = texts
            if meanings is None:
                if "" in texts:
                    if is_required:
                        count = min(count, texts.index(""))
                    meant[name] = [text or None for text in texts]
                else:
                    meant[name] = texts
                continue
            meant[name], good = meanings(column)
            count = min(count, good)
        if count == 0:
            return []
        names = self._form.identity
        identities = (
            list(zip(*(printed.get(name, repeat("", len(rows))) for name in names), strict=True))
            if names
            else repeat((), len(rows))
        )
        return self._filled(lines, at, count, meant, identities)

    def _filled(
        self,
        lines: Lines,
        at: int,
        count: int,
        meant: Mapping[str, Iterable[Any]],
        identities: Iterable[tuple[str, ...]],
    ) -> list[Reading]:
        nothing = repeat(None)
        places = self._places
        new = object.__new__
        applied, sequenced = self._form.dilution_applied, self._form.sequenced
        made = []
        for (  # the texts come first: they end the run before a text that does not fit is met
            text,
            method,
            sample,
            measured,
            unit,
            moment,
            absorbance,
            dilution,
            identity,
            start,
            span,
            number,
        ) in zip(
            lines.texts[at : at + count],
            meant.get("method", nothing),
            meant.get("sample", nothing),
            meant.get("value", nothing),
            meant.get("unit", nothing),
            _moments(meant),
            meant.get("absorbance", nothing),
            meant.get("dilution", nothing),
            identities,
            lines.starts[at : at + count],
            map(Span, lines.starts[at : at + count], lines.ends[at : at + count]),
            range(lines.first + at, lines.first + at + count),
            strict=False,
        ):
            one = _OpenReading()
            one.method = method
            one.sample = sample
            if measured is None:
                one.value, one.censored = None, ""
            else:
                one.value, one.censored = measured
            if unit is None:
                one.unit = one.basis = None
            else:
                one.unit = unit.name
                one.basis = unit.basis
            one.measured_at = moment
            one.absorbance = absorbance
            one.dilution = dilution
            one.dilution_applied = applied
            one.identity = identity
            one.sequenced = sequenced
            fields = new(RowFields)
            fields.places = places
            fields.line = text
            one.fields = fields
            spans = new(RowSpans)
            spans.places = places
            spans.line = text
            spans.start = start
            one.spans = spans
            one.span = span
            one.line = number
            one.__class__ = Reading
            made.append(one)
        return made


def _has_blanks(texts: list[str], delimiter: str) -> bool:
    """Some cell of these printable lines may begin or end with a blank."""
    joined = delimiter.join(["", *texts, ""])
    return (
        f" {delimiter}" in joined
        or f"{delimiter} " in joined
        or (delimiter != "\t" and "\t" in joined)
    )


def _moments(meant: Mapping[str, Iterable[Any]]) -> Iterable[datetime | None]:
    """Wall times from one column, or from a date and a time."""
    if "datetime" in meant:
        return meant["datetime"]
    if "date" not in meant or "time" not in meant:
        return repeat(None)
    return (
        None if day is None or clock is None else datetime.combine(day, clock)
        for day, clock in zip(meant["date"], meant["time"], strict=False)
    )


def _supplied_by(form: Form, bound: set[str]) -> dict[str, Found]:
    """Constants, and defaults of fields that no cell states."""
    supplied = {}
    for name, rules in form.fields.items():
        text = rules.constant if rules.constant is not None else rules.default
        if text is not None and name not in bound:
            supplied[name] = Found(text)
    return supplied


def _meanings(
    assembler: Assembler, name: str, *, is_required: bool
) -> Callable[[Sequence[str]], Meant] | None:
    rules = assembler.form.fields[name]
    if assembler.form.kind(name) == "text" and not rules.no_value:
        return None
    empty = _BAD if is_required else (Measured(None) if name == "value" else None)
    meanings = _Meanings(_reader(assembler, name), empty)
    cut = halves(rules.patterns[0]) if name == "datetime" and len(rules.patterns) == 1 else None
    if cut is None or rules.no_value:
        return meanings.of
    moments = _Moments(cut, meanings).of
    pattern = rules.patterns[0]
    return _IsoMoments(pattern, moments).of if _IsoMoments.reads(pattern) else moments


def _reader(assembler: Assembler, name: str) -> Callable[[str], Any]:
    """The function that reads what the text of one field puts into a Reading."""
    read: Callable[[str], Any] = assembler.reader(name)
    return (lambda text: certain(read(text))) if name == "absorbance" else read
