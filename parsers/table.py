"""A table: rows under a header become readings.

Strategy. Lines come in order and the table is always in one of five moods: it seeks a header
(lines above it may state fields), it reads rows, it is lost (a later block has no header, so its
rows are passed over under one fault), it is done (the declared end mark was seen) or it is full
(more rows than the cap). What a later call must know to go on is this mood, the header line and
the stated fields; no row is read twice, and a growing file costs what was added to it.

Runs of plain rows are read column by column (`parsers.columns`); every other line, and every
plain row in which something does not fit, is read here, one at a time.
"""

import re
from collections import deque
from collections.abc import Iterator, Mapping
from typing import Any, Literal, NamedTuple

from parsers.assembly import Assembler, Found
from parsers.cells import BLANKS, CONTROL, CellError, shown, trimmed
from parsers.columns import ColumnReader
from parsers.errors import ParseError
from parsers.forms import FieldRules, Form, TableRules
from parsers.layout import Layout, Misfit, bind, layout_without_names, looks_like
from parsers.readings import Fault, Parsed, Reading, Resume, Span
from parsers.rows import PlacedRow, Row, RowError, delimiter_of, splitter
from parsers.text import LineReader, Lines

Mood = Literal["seek", "rows", "lost", "done", "full"]


class _Line(NamedTuple):
    text: str
    start: int
    end: int
    number: int
    next_start: int


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
        self._layout = Layout(None, ())
        self._columns: ColumnReader | None = None
        self._header: tuple[str, int, int] | None = None  # its text, byte offset, line number
        self._readings: list[Reading] = []
        self._faults: list[Fault] = []
        self._waiting: deque[_Line] = deque()  # lines of a quoted row that is not closed yet
        self._kept = Resume()
        self._mood: Mood = "seek"
        self._stated: dict[str, Found] = {}
        self._rows = 0
        self._blocks = 0
        self._seek_start = (self._lines.offset, self._lines.line)
        self._seek_lines: list[_Line] = []
        self._seek_faults: list[Fault] = []
        self._labels = {label for rules in form.fields.values() for label in rules.label}
        self._seek_best: tuple[int, _Line, tuple[str, ...]] | None = None
        if state:
            self._restore(state)
        elif not self._rules.has_names and self._rules.header_pattern is None:
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
            if self._columns and self._is_plain(lines):
                read = self._columns.read(lines, at, self._rows)
                self._readings += read.readings
                self._rows += read.rows
                at = read.stopped_at
                if at >= count:
                    break
            if at in lines.damaged:
                while self._waiting:
                    self._abandon_quoted("a closing quote")
                self._refuse_damaged(lines, at)
            else:
                is_last = at + 1 == count
                next_start = self._lines.offset if is_last else lines.starts[at + 1]
                self._take_line(
                    _Line(
                        lines.texts[at],
                        lines.starts[at],
                        lines.ends[at],
                        lines.first + at,
                        next_start,
                    )
                )
            at += 1

    def _is_plain(self, lines: Lines) -> bool:
        """Nothing but rows may follow from here on."""
        return self._mood == "rows" and not self._waiting and not lines.damaged

    def _take_line(self, line: _Line) -> None:
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
            if self._mood == "seek" and self._has_content():
                self._lose()
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
        (self._seek_faults if self._mood == "seek" else self._faults).append(fault)

    def _refuse(self, line: _Line, expected: str, found: str, *, at: int = 0) -> None:
        fault = Fault(
            offset=line.start + self._lines.width(line.text[:at]),
            line=line.number,
            field="",
            expected=expected,
            found=shown(found),
        )
        (self._seek_faults if self._mood == "seek" else self._faults).append(fault)

    # ---- seeking a header

    def _begin_seeking(self, offset: int, number: int) -> None:
        self._mood = "seek"
        self._seek_start = (offset, number)
        self._seek_lines = []
        self._seek_faults = []
        self._seek_best = None

    def _seek(self, line: _Line) -> None:
        is_found = (
            self._bind_line(line)
            if self._rules.has_names
            else re.fullmatch(self._rules.header_pattern or "", line.text) is not None
        )
        if not is_found:
            self._seek_lines.append(line)
            if len(self._seek_lines) >= self._rules.header_within and self._has_content():
                self._lose()
            return
        layout = self._layout if self._rules.has_names else layout_without_names(self._form)
        stated = self._read_stated(line)
        if stated is None or not self._can_read_header(line, layout):
            return
        self._header = (line.text, line.start, line.number)
        above, best = self._seek_lines, self._seek_best
        nearly = best[1] if best and best[0] >= len(best[2]) else None
        is_first = self._blocks == 0
        self._begin_rows(layout, stated)
        for line_above in above:
            if line_above.text.strip(BLANKS) and self._label_of(line_above)[0] not in self._labels:
                self._judge_unknown(line_above, nearly, is_first=is_first)

    def _can_read_header(self, line: _Line, layout: Layout) -> bool:
        """Units in the header are known; else the whole table below would be in doubt."""
        found = [*layout.stated.items()]
        found += [("unit", one.unit) for one in layout.analytes if one.unit is not None]
        for name, (text, span) in found:
            try:
                self._assembler.read(name, text)
            except CellError as error:
                offset = span.start if span else line.start
                self._give_up(offset, line.number, f"{name}: {error.expected}", text)
                return False
        return True

    def _judge_unknown(self, line: _Line, nearly: _Line | None, *, is_first: bool) -> None:
        """Above a header there may be words, but no rows and no damaged header.

        Above a later block nothing stands that the form does not know, because rows whose
        header was damaged would otherwise pass for words.
        """
        expected = ""
        if not is_first:
            expected = "a line the form knows (its label, or a pattern in ignore) above a header"
        elif line is nearly:
            expected = "one header; this line is nearly one"
        elif not CONTROL.search(line.text):
            try:
                readings, _ = self._readings_of(self._placed(line, self._split(line.text)))
            except RowError:
                readings = []
            expected = "no row above the header" if readings else ""
        if expected:
            self._refuse(line, expected, line.text)

    def _bind_line(self, line: _Line) -> bool:
        try:
            row = self._split(line.text)
        except RowError:
            return False
        result = bind(self._form, self._placed(line, row))
        if isinstance(result, Layout):
            self._layout = result
            return True
        if self._seek_best is None or result.matched > self._seek_best[0]:
            self._seek_best = (result.matched, line, result.missing)
        return False

    def _has_content(self) -> bool:
        return self._blocks == 0 or any(line.text.strip(BLANKS) for line in self._seek_lines)

    def _lose(self) -> None:
        """No header here: the capture cannot be read, or a later block of it cannot."""
        zero = next((line for line in self._seek_lines if "\0" in line.text), None)
        if zero is not None:
            at = zero.start + self._lines.width(zero.text[: zero.text.index("\0")])
            expected = "text without NUL bytes (UTF-16 without a byte order mark is declared)"
            self._give_up(at, zero.number, expected, zero.text)
        elif self._seek_faults and not (self._seek_best and self._seek_best[0]):
            fault = self._seek_faults.pop(0)
            self._give_up(fault.offset, fault.line, fault.expected, fault.found)
        elif self._seek_best:
            matched, line, missing = self._seek_best
            columns = ", ".join(missing)
            expected = f"a header row with the columns {columns}"
            if matched:
                expected = f"also the columns {columns} in the header"
            self._give_up(line.start, line.number, expected, line.text)
        else:
            wanted = self._rules.header_pattern or "names of its columns"
            offset, number, text = *self._seek_start, ""
            if self._seek_lines:
                text, offset, _, number, _ = self._seek_lines[0]
            self._give_up(offset, number, f"a header line: {wanted}", text)

    def _give_up(self, offset: int, number: int, expected: str, found: str) -> None:
        """Refuse the capture; or, below a block that was good, only what follows."""
        if self._blocks == 0:
            raise ParseError(offset=offset, expected=expected, found=shown(found))
        self._faults += self._seek_faults
        self._seek_faults = []
        self._faults.append(
            Fault(offset=offset, line=number, field="", expected=expected, found=shown(found))
        )
        self._mood = "lost"

    def _read_stated(self, header: _Line) -> dict[str, Found] | None:
        """Fields that the lines above the header state; None when they cannot be read."""
        stated = {
            name: found
            for name, found in self._stated.items()
            if self._form.fields[name].holds == "file"
        }
        wanted = {name: rules for name, rules in self._form.fields.items() if rules.label}
        seen: set[str] = set()
        for line in self._seek_lines if wanted else ():
            label, cut = self._label_of(line)
            for name, rules in wanted.items():
                if label in rules.label:
                    if name in seen:
                        self._give_up(
                            line.start,
                            line.number,
                            f"one line {_words(rules)} per block",
                            line.text,
                        )
                        return None
                    seen.add(name)
                    stated.pop(name, None)
                    if cut is not None and not self._state(name, line, cut, stated):
                        return None
        for name, rules in wanted.items():
            if name not in seen and name not in stated and not self._may_lack(rules, header):
                return None
        return stated

    def _label_of(self, line: _Line) -> tuple[str, tuple[int, int] | None]:
        """The label of a line above the header, and the characters of its text."""
        separator = self._rules.stated_separator
        if separator == delimiter_of(self._form):
            try:
                row = self._split(line.text)
            except RowError:
                return "", None
            cells = row.cells
            if len(cells) < 2 or any(cell.strip(BLANKS) for cell in cells[2:]):
                return "", None
            return cells[0].strip(BLANKS), row.edges[1]
        label, found, _ = line.text.partition(separator)
        if not found:
            return "", None
        return label.strip(BLANKS), (len(label) + len(separator), len(line.text))

    def _state(
        self, name: str, line: _Line, cut: tuple[int, int], stated: dict[str, Found]
    ) -> bool:
        first, last = cut
        row = PlacedRow(
            line.text,
            Row([line.text[first:last]], [cut]),
            Span(line.start, line.end),
            line.number,
            self._lines.width,
        )
        text = row.row.cells[0]
        try:
            found = self._assembler.divide(name, text, lambda start, end: row.place(0, start, end))
            for part, piece in found.items():
                self._assembler.read(part, piece.text)
        except CellError as error:
            self._give_up(row.offset(first), line.number, f"{name}: {error.expected}", text)
            return False
        if CONTROL.search(text):
            self._give_up(
                row.offset(first), line.number, f"{name}: text without control characters", text
            )
            return False
        if not found and self._form.fields[name].required != "place":
            self._give_up(
                row.offset(first), line.number, f"{name}: {self._assembler.wanted(name)}", text
            )
            return False
        stated.update(found)
        return True

    def _may_lack(self, rules: FieldRules, header: _Line) -> bool:
        """The label may be absent, and no line looks like a damaged spelling of it."""
        if rules.required != "no":
            expected = f"a line {_words(rules)} above the header"
            self._give_up(header.start, header.number, expected, header.text)
            return False
        for line in self._seek_lines:
            text = line.text.strip(BLANKS)
            beside = text.partition(self._rules.stated_separator)[0].strip(BLANKS)
            for label in rules.label:
                if beside and (looks_like(text[: len(label)], label) or looks_like(beside, label)):
                    expected = f"{label} and {self._rules.stated_separator!r} exactly so"
                    self._give_up(line.start, line.number, expected, line.text)
                    return False
        return True

    # ---- reading rows

    def _begin_rows(self, layout: Layout, stated: dict[str, Found]) -> None:
        self._mood = "rows"
        self._blocks += 1
        self._faults += self._seek_faults
        self._seek_faults = []
        self._seek_lines = []
        self._layout = layout
        self._stated = stated
        self._columns = ColumnReader.fitting(
            self._assembler, layout, {**stated, **layout.stated}, self._lines.width
        )

    def _placed(self, line: _Line, row: Row) -> PlacedRow:
        span = Span(line.start, line.end)
        return PlacedRow(line.text, row, span, line.number, self._lines.width)

    def _take_row(self, line: _Line) -> None:
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
        self._read_row(_Line(text, first.start, last.end, first.number, last.next_start), row)

    def _between(self, first: _Line, last: _Line) -> str:
        raw = self._data[first.start - self._origin : last.end - self._origin]
        return raw.decode((self._lines.encoding or "ascii").replace("windows-", "cp"))

    def _abandon_quoted(self, expected: str) -> None:
        lines = list(self._waiting)
        self._waiting.clear()
        first = lines[0]
        opening = max(first.text.rfind(self._rules.quote), 0)
        self._refuse(first, expected, first.text[opening:], at=opening)
        for line in lines[1:]:
            self._take_line(line)

    def _read_row(self, line: _Line, row: Row) -> None:
        self._rows += 1
        if self._rows > self._form.limits.rows:
            self._refuse(line, f"at most {self._form.limits.rows} rows", line.text)
            self._mood = "full"
            return
        placed = self._placed(line, row)
        readings, faults = self._readings_of(placed)
        if faults and self._rules.has_names:
            try:
                again = bind(self._form, placed)
            except ParseError:
                again = Misfit((), 0)
            if isinstance(again, Layout):
                self._rows -= 1
                self._blocks -= 1
                self._header = (line.text, line.start, line.number)
                self._begin_rows(again, self._stated)
                return
        elif faults and self._header is not None and line.text == self._header[0]:
            self._rows -= 1
            return
        self._readings += readings
        self._faults += faults

    def _readings_of(self, placed: PlacedRow) -> tuple[list[Reading], list[Fault]]:
        row, layout = placed.row, self._layout
        problem = self._wrong_count(len(row.cells))
        if problem is not None:
            expected, at = problem
            cut = row.edges[at][0] if at < len(row.cells) else len(placed.text)
            return [], [_fault(placed, "", expected, placed.text[cut:], placed.offset(cut))]
        found: dict[str, Found] = {**self._stated, **layout.stated}
        places: dict[str, int] = {}
        faults: list[Fault] = []
        for name, at in layout.columns:
            self._divide(placed, name, at, found, places, faults)
        if not layout.analytes:
            return self._assembled(placed, found, places, faults)
        readings: list[Reading] = []
        refused: list[Fault] = []
        for analyte in layout.analytes:
            if not row.cells[analyte.cell : analyte.cell + 1] or not row.cells[analyte.cell].strip(
                BLANKS
            ):
                continue
            one = {**found, "method": analyte.method}
            if analyte.unit is not None:
                one["unit"] = analyte.unit
            own: list[Fault] = []
            self._divide(placed, "value", analyte.cell, one, places, own)
            more, wrong = self._assembled(placed, one, places, faults + own)
            readings += more
            refused += [fault for fault in wrong if fault not in refused]
        return readings, refused

    def _wrong_count(self, count: int) -> tuple[str, int] | None:
        """What is wrong with the number of cells, and the first cell that shows it."""
        cells, limit = self._layout.cells, self._form.limits.fields
        if count > limit:
            return f"at most {limit} cells in a row", limit
        if cells is not None and count > cells:
            return f"{cells} cells, not {count}", cells
        if cells is not None and count < cells and not self._rules.short_rows:
            return f"{cells} cells, not {count}", count
        return None

    def _divide(
        self,
        placed: PlacedRow,
        name: str,
        at: int,
        found: dict[str, Found],
        places: dict[str, int],
        faults: list[Fault],
    ) -> None:
        if at >= len(placed.row.cells):
            places[name] = placed.span.end
            return
        text = placed.row.cells[at]
        places[name] = placed.offset(placed.row.edges[at][0])
        try:
            found.update(
                self._assembler.divide(name, text, lambda start, end: placed.place(at, start, end))
            )
        except CellError as error:
            start = placed.place(at, *trimmed(text)).start
            faults.append(_fault(placed, name, error.expected, text.strip(BLANKS), start))

    def _assembled(
        self,
        placed: PlacedRow,
        found: dict[str, Found],
        places: dict[str, int],
        faults: list[Fault],
    ) -> tuple[list[Reading], list[Fault]]:
        result = self._assembler.assemble(found, places=places, span=placed.span, line=placed.line)
        known = {fault.field for fault in faults}
        if isinstance(result, Reading) and not faults:
            return [result], []
        more = [] if isinstance(result, Reading) else [f for f in result if f.field not in known]
        return [], sorted(faults + more, key=lambda fault: fault.offset)

    # ---- the end of what there is, and going on later

    def _stop(self) -> None:
        """Judge what no line end closed, if nothing more will come."""
        self._kept = self._resume()
        if not self._final:
            return
        while self._waiting:
            self._abandon_quoted("a closing quote")
        tail = self._lines.tail()
        if tail is not None:
            self._take_tail(tail)
        while self._waiting:
            self._abandon_quoted("a closing quote")
        if self._mood == "seek" and self._has_content():
            self._lose()
        elif self._mood == "seek":
            self._faults += self._seek_faults
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
        line = _Line(text, start, end, tail.first, end)
        if tail.damaged:
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
            offset, line = self._seek_start
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
        layout = self._layout
        if state["header"]:
            text, start, number = state["header"]
            self._header = (text, start, number)
            line = _Line(text, start, start + self._lines.width(text), number, 0)
            if self._rules.has_names:
                bound = bind(self._form, self._placed(line, self._split(text)))
                layout = bound if isinstance(bound, Layout) else layout
        if not self._rules.has_names:
            layout = layout_without_names(self._form)
        self._begin_rows(layout, self._stated)
        self._blocks = int(state["blocks"])
        self._mood = state["mood"]


def _fault(placed: PlacedRow, name: str, expected: str, found: str, offset: int) -> Fault:
    return Fault(
        offset=offset, line=placed.line, field=name, expected=expected, found=shown(found)
    )


def _words(rules: FieldRules) -> str:
    return f"labelled {' or '.join(rules.label)}"
