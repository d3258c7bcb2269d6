"""A table: rows under a header become readings.

Strategy. Lines come in order and the table is always in one of five moods: it seeks a header
(lines above it may state fields), it reads rows, it is lost (a later block has no header, so its
rows are passed over under one fault), it is done (the declared end mark was seen) or it is full
(more rows than the cap). What a later call must know to go on is this mood, the header line and
the stated fields; no row is read twice, and a growing file costs what was added to it.

Runs of plain rows are read column by column (`parsers.plain_rows`); every other line, and every
plain row in which something does not fit, is read here, one at a time.
"""

import re
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any, Final, Literal

from parsers.assembly import Assembler, Found
from parsers.cells import BLANKS, CONTROL, shown
from parsers.errors import ParseError
from parsers.forms import Form, TableRules
from parsers.heading import HeadingSeeker, NoHeading
from parsers.layout import Layout, Misfit, bind, layout_without_names
from parsers.plain_rows import RowRuns
from parsers.readings import Fault, Parsed, Reading, Resume, Span
from parsers.row_reading import RowReader
from parsers.rows import Row, RowError, placed, splitter
from parsers.text import Line, LineReader, Lines

_WORTHWHILE: Final = 8  # rows that pay for the making of a RowRuns

Mood = Literal["seek", "rows", "lost", "done", "full"]


class TableReader:
    """Reads one capture, or the part of it that has been added since the last time."""

    def __init__(self, form: Form, data: bytes, *, final: bool, resume: Resume | None) -> None:
        if form.table is None:
            raise ValueError(f"form {form.name} is no table")
        state: Mapping[str, Any] = resume.state if resume and resume.offset else {}
        self._form = form
        self._rules: TableRules = form.table
        self._final = final
        self._origin = resume.offset if resume and state else 0
        self._data = data
        self._lines = LineReader(
            data,
            form.text,
            origin=self._origin,
            line=resume.line if resume and state else 0,
            state=state.get("text"),
            final=final,
        )
        self._split = splitter(form)
        self._assembler = Assembler(form)
        self._ignore = [re.compile(pattern).fullmatch for pattern in self._rules.ignore]
        self._end = re.compile(self._rules.end).fullmatch if self._rules.end else None
        self._heading = HeadingSeeker(form, self._rules, self._assembler, self._lines.width)
        self._row_reader: RowReader | None = None
        self._columns: RowRuns | None = None
        self._fit: Callable[[], RowRuns | None] | None = None
        self._header: tuple[str, int, int] | None = None  # its text, byte offset, line number
        self._readings: list[Reading] = []
        self._faults: list[Fault] = []
        self._waiting: deque[Line] = deque()  # lines of a quoted row that is not closed yet
        self._kept = Resume()
        self._mood: Mood = "seek"
        self._stated: dict[str, Found] = {}
        self._rows = 0
        self._blocks = 0
        self._begin_seeking(self._lines.offset, self._lines.line)
        if state:
            self._restore(state)
        elif not self._rules.has_names and self._rules.header_pattern is None:
            self._blocks = 1
            self._begin_rows(layout_without_names(form), {})

    def parts(self) -> Iterator[Parsed]:
        """Readings and faults, some thousand at a time; the last part ends the capture.

        Raises:
            ParseError: there is no table here that the form describes.
        """
        if self._final and self._origin == 0 and self._lines.is_empty:
            raise ParseError(offset=0, expected="something to read", found="an empty file")
        for lines in self._lines.pieces():
            self._take(lines)
            yield self._part(is_last=False)
        self._stop()
        yield self._part(is_last=True)

    # ---- lines in, by mood

    def _take(self, lines: Lines) -> None:
        at, count = 0, len(lines.texts)
        while at < count:
            columns = self._quick_reader(lines, at)
            if columns is not None:
                read = columns.read(lines, at, self._rows)
                self._readings += read.readings
                self._rows += read.rows
                at = read.stopped_at
                if at >= count:
                    break
            if at in lines.damaged:
                self._abandon_all_quoted()
                self._refuse_damaged(lines, at)
            else:
                is_last = at + 1 == count
                next_start = self._lines.offset if is_last else lines.starts[at + 1]
                self._take_line(
                    Line(
                        lines.texts[at],
                        lines.starts[at],
                        lines.ends[at],
                        lines.first + at,
                        next_start,
                    )
                )
            at += 1

    def _quick_reader(self, lines: Lines, at: int) -> RowRuns | None:
        """The reader of runs of plain rows, made when enough rows may follow to be worth it."""
        if not self._is_plain(lines):
            return None
        if self._fit is not None and len(lines.texts) - at >= _WORTHWHILE:
            self._columns, self._fit = self._fit(), None
        return self._columns

    def _is_plain(self, lines: Lines) -> bool:
        """Nothing but rows may follow from here on."""
        return self._mood == "rows" and not self._waiting and not lines.damaged

    def _take_line(self, line: Line) -> None:
        if self._waiting:
            self._waiting.append(line)
            self._close_quoted()
        elif self._mood == "full":
            pass
        elif len(line.text) > self._form.limits.line_length:
            limit = self._form.limits.line_length
            self._refuse(
                line, f"a line of at most {limit} characters", f"{len(line.text)} characters"
            )
        elif any(is_ignored(line.text) for is_ignored in self._ignore):
            pass
        elif self._mood == "done":
            if line.text.strip(BLANKS):
                self._refuse(line, "nothing behind the end mark", line.text)
        elif self._end and self._end(line.text):
            if self._mood == "seek" and self._heading.has_content:
                self._seek(None)
            self._mood = "done"
        elif self._mood == "seek":
            self._seek(line)
        elif not line.text.strip(BLANKS + "\f"):
            if self._rules.blocks == "blank":
                self._begin_seeking(line.next_start, line.number)
        elif self._mood == "rows":
            self._take_row(line)

    def _refuse_damaged(self, lines: Lines, at: int) -> None:
        damage = lines.damaged[at]
        names = self._lines.encoding or "one of the declared encodings"
        fault = Fault(
            offset=damage.offset,
            line=lines.first + at,
            field="",
            expected=f"text in {names}",
            found=damage.found,
        )
        (self._heading.faults if self._mood == "seek" else self._faults).append(fault)

    def _refuse(self, line: Line, expected: str, found: str, *, at: int = 0) -> None:
        fault = Fault(
            offset=line.start + self._lines.width(line.text[:at]),
            line=line.number,
            field="",
            expected=expected,
            found=shown(found),
        )
        (self._heading.faults if self._mood == "seek" else self._faults).append(fault)

    # ---- seeking a header

    def _begin_seeking(self, offset: int, number: int) -> None:
        self._mood = "seek"
        self._heading.begin(offset, number, self._stated, is_first=self._blocks == 0)

    def _seek(self, line: Line | None) -> None:
        """Look at one line; None when no more will come."""
        try:
            if line is None:
                self._heading.give_up()
            heading = self._heading.take(line, self._split)
        except NoHeading as error:
            if self._blocks == 0:
                raise ParseError(
                    offset=error.offset, expected=error.expected, found=error.found
                ) from None
            self._faults += self._heading.faults
            self._faults.append(
                Fault(
                    offset=error.offset,
                    line=error.line,
                    field="",
                    expected=error.expected,
                    found=error.found,
                )
            )
            self._mood = "lost"
            return
        if heading is not None:
            self._faults += heading.faults
            self._header = (heading.line.text, heading.line.start, heading.line.number)
            self._blocks += 1
            self._begin_rows(heading.layout, heading.stated)

    # ---- reading rows

    def _begin_rows(self, layout: Layout, stated: dict[str, Found]) -> None:
        self._mood = "rows"
        self._stated = stated
        self._row_reader = RowReader(
            self._assembler, layout, stated, may_be_short=self._rules.short_rows
        )
        self._columns = None
        self._fit = partial(
            RowRuns.fitting,
            self._assembler,
            layout,
            {**stated, **layout.stated},
            self._lines.width,
        )

    def _take_row(self, line: Line) -> None:
        if damaged := CONTROL.search(line.text):
            what = "NUL bytes" if damaged[0] == "\0" else "control characters"
            self._refuse(line, f"a row without {what}", damaged[0], at=damaged.start())
            return
        try:
            row = self._split(line.text)
        except RowError as error:
            if error.is_open and self._rules.line_breaks_in_quotes:
                self._waiting.append(line)
                return
            self._refuse(line, error.expected, line.text[error.at :], at=error.at)
            return
        if not any(cell.strip(BLANKS) for cell in row.cells):
            return
        self._read_row(line, row)

    def _close_quoted(self) -> None:
        """Join the lines of a quoted row; one that never closes costs only its first line."""
        first, last = self._waiting[0], self._waiting[-1]
        limit = self._form.limits.line_length
        if self._rules.quote not in last.text and last.end - first.start <= limit:
            return
        text = self._between(first, last)
        is_over = len(text) > limit
        try:
            row = self._split(text)
        except RowError as error:
            if error.is_open and not is_over:
                return
            self._abandon_quoted(error.expected)
            return
        if CONTROL.search(text) or is_over:
            self._abandon_quoted("a closing quote")
            return
        self._waiting.clear()
        self._read_row(Line(text, first.start, last.end, first.number, last.next_start), row)

    def _between(self, first: Line, last: Line) -> str:
        raw = self._data[first.start - self._origin : last.end - self._origin]
        return raw.decode((self._lines.encoding or "ascii").replace("windows-", "cp"))

    def _abandon_all_quoted(self) -> None:
        while self._waiting:
            self._abandon_quoted("a closing quote")

    def _abandon_quoted(self, expected: str) -> None:
        lines = list(self._waiting)
        self._waiting.clear()
        first = lines[0]
        opening = max(first.text.rfind(self._rules.quote), 0)
        self._refuse(first, expected, first.text[opening:], at=opening)
        for line in lines[1:]:
            self._take_line(line)

    def _read_row(self, line: Line, row: Row) -> None:
        self._rows += 1
        if self._rows > self._form.limits.rows:
            self._refuse(line, f"at most {self._form.limits.rows} rows", line.text)
            self._mood = "full"
            return
        place = placed(line, row, self._lines.width)
        readings, faults = self._row_reader.read(place) if self._row_reader else ([], [])
        if faults and self._rules.has_names:
            try:
                again = bind(self._form, place)
            except ParseError:
                again = Misfit((), 0)
            if isinstance(again, Layout):
                self._rows -= 1
                self._header = (line.text, line.start, line.number)
                self._begin_rows(again, self._stated)
                return
        elif faults and self._header is not None and line.text == self._header[0]:
            self._rows -= 1
            return
        self._readings += readings
        self._faults += faults

    # ---- the end of what there is, and going on later

    def _stop(self) -> None:
        """Judge what no line end closed, if nothing more will come."""
        self._kept = self._resume()
        if not self._final:
            return
        tail = self._lines.tail()
        if tail is not None:
            self._take_tail(tail)
        self._abandon_all_quoted()
        if self._mood == "seek" and self._heading.has_content:
            self._seek(None)
        elif self._mood == "seek":
            self._faults += self._heading.faults
        if self._end is not None and self._mood not in ("done", "full"):
            self._faults.append(
                Fault(
                    offset=self._origin + len(self._data),
                    line=self._lines.line,
                    field="",
                    expected=f"the end mark {self._rules.end}",
                    found="the end of the file",
                )
            )

    def _take_tail(self, tail: Lines) -> None:
        text, start, end = tail.texts[0], tail.starts[0], tail.ends[0]
        line = Line(text, start, end, tail.first, end)
        if tail.damaged:
            self._abandon_all_quoted()
            self._refuse_damaged(tail, 0)
            return
        passes = any(is_ignored(text) for is_ignored in self._ignore) or not text.strip(BLANKS)
        ends = self._end is not None and self._end(text)
        if (
            self._form.text.last_line == "any"
            or passes
            or ends
            or self._mood in ("lost", "done", "full")
        ):
            self._take_line(line)
            return
        self._abandon_all_quoted()
        self._refuse(line, 'a line end (else last_line = "any" in the form)', text[-40:])

    def _part(self, *, is_last: bool) -> Parsed:
        readings, self._readings = tuple(self._readings), []
        faults, self._faults = tuple(self._faults), []
        resume = self._kept if is_last else self._resume()
        complete_to = resume.offset
        if is_last and self._final:
            complete_to = self._origin + len(self._data)
        return Parsed(readings=readings, faults=faults, complete_to=complete_to, resume=resume)

    def _resume(self) -> Resume:
        offset, line = self._lines.offset, self._lines.line
        if self._waiting:
            offset, line = self._waiting[0].start, self._waiting[0].number - 1
        elif self._mood == "seek":
            offset, line = self._heading.start
        text = self._lines.state()
        if offset != self._lines.offset:
            text["after_cr"] = False
        state = {
            "text": text,
            "mood": self._mood,
            "blocks": self._blocks,
            "rows": self._rows,
            "header": list(self._header) if self._header else [],
            "stated": {
                name: [found.text, *((found.span.start, found.span.end) if found.span else ())]
                for name, found in self._stated.items()
            },
        }
        return Resume(offset=offset, line=line, state=state if offset else {})

    def _restore(self, state: Mapping[str, Any]) -> None:
        self._rows = int(state["rows"])
        self._stated = {
            name: Found(kept[0], Span(kept[1], kept[2]) if len(kept) > 1 else None)
            for name, kept in state["stated"].items()
        }
        layout = None if self._rules.has_names else layout_without_names(self._form)
        if state["header"]:
            text, start, number = self._header = tuple(state["header"])
            if self._rules.has_names:
                line = Line(text, start, start + self._lines.width(text), number, 0)
                bound = bind(self._form, placed(line, self._split(text), self._lines.width))
                layout = bound if isinstance(bound, Layout) else None
        if layout is not None:
            self._begin_rows(layout, self._stated)
        self._blocks = int(state["blocks"])
        if state["mood"] == "seek":
            self._begin_seeking(self._lines.offset, self._lines.line)
        self._mood = state["mood"]
