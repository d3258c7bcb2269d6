"""A report: labelled lines become readings, one block each.

A block counts only as a whole. A line in it that cannot be understood, a label that is missing,
stands twice or may be a damaged spelling of one the form reads: each withholds the reading and
is a fault, because a block that lost its dilution line would otherwise still look like a result.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from parsers.assembly import Assembler, Found
from parsers.cells import BLANKS, CONTROL, CellError, shown, trimmed
from parsers.errors import ParseError
from parsers.forms import Form, ReportRules
from parsers.plain_blocks import BlockRuns, Labelled
from parsers.readings import Fault, Parsed, Reading, Resume, Span
from parsers.text import LineReader, Lines, offsets_in

_PAGE: Final = BLANKS + "\f"  # form feeds part pages, not blocks


@dataclass(slots=True)
class _Block:
    """The lines of one block so far."""

    start: int
    line: int
    end: int
    found: dict[str, Found] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)
    labels: set[str] = field(default_factory=set)
    lines: list[Labelled] = field(default_factory=list)
    unknown: list[tuple[str, int, int]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    is_complete: bool = False


class ReportReader:
    """Reads one capture, or the part of it that has been added since the last time."""

    def __init__(self, form: Form, data: bytes, *, final: bool, resume: Resume | None) -> None:
        if form.report is None:
            raise ValueError(f"form {form.name} is no report")
        state: Mapping[str, Any] = resume.state if resume and resume.offset else {}
        self._form = form
        self._rules: ReportRules = form.report
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
        self._assembler = Assembler(form)
        self._ignore = [re.compile(pattern).fullmatch for pattern in self._rules.ignore]
        self._end = re.compile(self._rules.end).fullmatch if self._rules.end else None
        self._rule = re.compile(self._rules.rule).fullmatch if self._rules.rule else None
        self._line_length = form.limits.line_length
        self._separator = self._rules.separator
        self._other_labels = frozenset(self._rules.other_labels)
        self._first_label = frozenset(self._rules.first_label)
        self._last_label = frozenset(self._rules.last_label)
        self._field_of = {
            label: name for name, rules in form.fields.items() for label in rules.label
        }
        is_plain = self._rules.block == "blank" and not self._ignore and self._end is None
        self._runs = (
            BlockRuns(self._assembler, self._line_length, self._lines.width)
            if is_plain and not self._rules.last_label
            else None
        )
        self._readings: list[Reading] = []
        self._faults: list[Fault] = []
        self._block: _Block | None = None
        self._first: tuple[int, str] | None = None  # the first line, for a ParseError
        self._blocks = int(state.get("blocks", 0))
        self._is_known = bool(state.get("is_known"))  # a label of the form has been seen
        self._is_done = bool(state.get("is_done"))
        self._is_full = bool(state.get("is_full"))  # more blocks than the cap
        self._kept = Resume()

    def parts(self) -> Iterator[Parsed]:
        """Readings and faults, some thousand at a time; the last part ends the capture.

        Raises:
            ParseError: no line has a label that the form knows.
        """
        if self._final and self._origin == 0 and self._lines.is_empty:
            raise ParseError(offset=0, expected="something to read", found="an empty file")
        for lines in self._lines.pieces():
            self._take_all(lines)
            if self._is_known:
                yield self._part(is_last=False)
        self._stop()
        yield self._part(is_last=True)

    def _take_all(self, lines: Lines) -> None:
        at, count = 0, len(lines.texts)
        while at < count:
            if self._runs is not None and self._block is None and not self._is_full:
                run = self._runs.read(lines, at, self._form.limits.rows - self._blocks)
                self._readings += run.readings
                self._blocks += len(run.readings)
                at = run.stopped_at
            if at < count:
                self._take(lines, at)
            at += 1

    def _take(self, lines: Lines, at: int) -> None:
        """One line, by what it is."""
        text, start, end, number = (
            lines.texts[at],
            lines.starts[at],
            lines.ends[at],
            lines.first + at,
        )
        if self._is_full:
            return
        if self._first is None:
            self._first = (start, text)
        if damage := lines.damaged.get(at):
            names = self._lines.encoding or "one of the declared encodings"
            self._spoil(start, end, number, damage.offset, f"text in {names}", damage.found)
            return
        if len(text) > self._line_length:
            expected = f"a line of at most {self._line_length} characters"
            self._spoil(start, end, number, start, expected, f"{len(text)} characters")
            return
        bare = text.strip(_PAGE)
        if self._ignore and any(is_ignored(bare) for is_ignored in self._ignore):
            return
        if self._end and self._end(bare):
            self._close()
            self._is_done = True
        elif self._rule and self._rule(bare):
            self._close()
        elif not bare:
            if self._rules.block == "blank" and "\f" not in text:
                self._close()
        elif self._is_done:
            self._faults.append(_fault(start, number, "", "nothing behind the end mark", text))
        elif not lines.is_printable and (damaged := CONTROL.search(bare)):
            what = "NUL bytes" if damaged[0] == "\0" else "control characters"
            offset = start + self._lines.width(text[: text.index(damaged[0])])
            self._spoil(start, end, number, offset, f"a line without {what}", damaged[0])
        else:
            self._take_labelled(text, start, end, number)

    def _take_labelled(self, text: str, start: int, end: int, number: int) -> None:
        separator = self._separator
        lead = len(text) - len(text.lstrip(_PAGE))
        cut = text.find(separator, lead)
        label = text[lead:cut].strip(BLANKS)
        if cut < 0 or not label:
            expected = f"a line with a label and {separator!r}"
            self._spoil(start, end, number, start, expected, text)
            return
        if label in self._other_labels and label not in self._last_label:
            return
        if label in self._first_label:
            self._close()
        block = self._open(start, end, number)
        name = self._field_of.get(label)
        if block is None:
            return
        block.labels.add(label)
        block.lines.append(Labelled(text[: cut + len(separator)], name))
        if name is None:
            if label not in self._last_label:
                block.unknown.append((label, start, number))
        elif name in block.places:
            expected = f"one line labelled {label} in a block"
            block.faults.append(_fault(start, number, name, expected, text))
        else:
            self._is_known = True
            self._read_text(block, name, text, cut + len(separator), start, end, number)
        if label in self._last_label:
            block.is_complete = True
            self._close()

    def _read_text(
        self, block: _Block, name: str, text: str, at: int, start: int, end: int, number: int
    ) -> None:
        """Keep what stands behind a label, from character `at` on."""
        behind = text[at:].rstrip(_PAGE)
        offset_of = offsets_in(text, start, end, self._lines.width)
        block.places[name] = offset_of(at)
        try:
            for part, first, last in self._assembler.divide(name, behind):
                place = Span(offset_of(at + first), offset_of(at + last))
                block.found[part] = Found(behind[first:last], place)
        except CellError as error:
            begin = offset_of(at + trimmed(behind)[0])
            block.faults.append(_fault(begin, number, name, error.expected, behind))

    def _open(self, start: int, end: int, number: int) -> _Block | None:
        """The block that the line belongs to; None once there are too many."""
        if self._block is None:
            self._blocks += 1
            limit = self._form.limits.rows
            if self._blocks > limit:
                self._faults.append(_fault(start, number, "", f"at most {limit} blocks", ""))
                self._is_full = True
                return None
            self._block = _Block(start, number, end)
        self._block.end = end
        return self._block

    def _spoil(
        self, start: int, end: int, number: int, offset: int, expected: str, found: str
    ) -> None:
        """A line that cannot be understood spoils the block it stands in."""
        fault = _fault(offset, number, "", expected, found)
        block = None if self._is_done else self._open(start, end, number)
        (self._faults if block is None else block.faults).append(fault)

    def _close(self) -> None:
        """The block is over: a reading, or the reasons why it is none."""
        block, self._block = self._block, None
        if block is None:
            return
        faults = block.faults
        if not faults or block.found:
            faults += self._lacking(block)
            known = {fault.field for fault in faults}
            result = self._assembler.assemble(
                block.found,
                places=block.places,
                span=Span(block.start, block.end),
                line=block.line,
            )
            if isinstance(result, Reading) and not faults:
                self._readings.append(result)
                if self._runs is not None:
                    self._runs.learn(block.lines)
                return
            if not isinstance(result, Reading):
                faults += [fault for fault in result if fault.field not in known]
        self._faults += sorted(faults, key=lambda fault: fault.offset)

    def _lacking(self, block: _Block) -> list[Fault]:
        """Lines that the block should have, and labels that may be damaged ones."""
        faults = []
        is_optional_absent = False
        for name, rules in self._form.fields.items():
            if not rules.label or name in block.places:
                continue
            if rules.required == "no" or rules.default is not None:
                is_optional_absent = True
                continue
            expected = f"a line labelled {' or '.join(rules.label)}"
            faults.append(_fault(block.end, block.line, name, expected, ""))
        if is_optional_absent:
            expected = "a label that the form reads, or names in other_labels"
            faults += [
                _fault(start, number, "", expected, label)
                for label, start, number in block.unknown
            ]
        if self._rules.first_label and not block.labels & set(self._rules.first_label):
            expected = f"a block that begins with {' or '.join(self._rules.first_label)}"
            faults.append(_fault(block.start, block.line, "", expected, ""))
        if self._rules.last_label and not block.is_complete:
            expected = f"a block that ends with {' or '.join(self._rules.last_label)}"
            faults.append(_fault(block.end, block.line, "", expected, ""))
        return faults

    def _stop(self) -> None:
        """Judge what is still open, if nothing more will come."""
        self._kept = self._resume()
        if not self._final:
            return
        tail = self._lines.tail()
        if tail is not None:
            self._take_tail(tail)
        self._close()
        if not self._is_known and self._origin == 0:
            offset, text = self._first or (0, "")
            labels = " or ".join(self._field_of)
            raise ParseError(offset=offset, expected=f"lines labelled {labels}", found=shown(text))
        if self._end is not None and not self._is_done and not self._is_full:
            end = self._origin + len(self._data)
            expected = f"the end mark {self._rules.end}"
            self._faults.append(_fault(end, self._lines.line, "", expected, "the end of the file"))

    def _take_tail(self, tail: Lines) -> None:
        bare = tail.texts[0].strip(_PAGE)
        passes = not bare or any(is_ignored(bare) for is_ignored in self._ignore)
        marks = [match for match in (self._end, self._rule) if match is not None]
        is_mark = any(match(bare) for match in marks)
        is_over = self._is_done or self._is_full
        if self._form.text.last_line == "any" or tail.damaged or passes or is_mark or is_over:
            self._take(tail, 0)
        else:
            expected = 'a line end (else last_line = "any" in the form)'
            start, end = tail.starts[0], tail.ends[0]
            self._spoil(start, end, tail.first, end, expected, tail.texts[0][-40:])

    def _part(self, *, is_last: bool) -> Parsed:
        readings, self._readings = tuple(self._readings), []
        faults, self._faults = tuple(self._faults), []
        resume = self._kept if is_last else self._resume()
        complete_to = resume.offset
        if is_last and self._final:
            complete_to = self._origin + len(self._data)
        return Parsed(readings=readings, faults=faults, complete_to=complete_to, resume=resume)

    def _resume(self) -> Resume:
        offset, line, blocks = self._lines.offset, self._lines.line, self._blocks
        text = self._lines.state()
        if self._block is not None:
            offset, line, blocks = self._block.start, self._block.line - 1, blocks - 1
            text["after_cr"] = False
        state = {
            "text": text,
            "blocks": blocks,
            "is_known": self._is_known,
            "is_done": self._is_done,
            "is_full": self._is_full,
        }
        return Resume(offset=offset, line=line, state=state if offset else {})


def _fault(offset: int, line: int, name: str, expected: str, found: str) -> Fault:
    return Fault(offset=offset, line=line, field=name, expected=expected, found=shown(found))
