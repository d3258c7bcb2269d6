"""Serial messages become readings: one frame, one reading or the faults that prevent it.

`parsers.framer` cuts the bytes into frames; here the message inside a frame is divided into
cells and handed to the assembler. A capture may hold one frame, several, and noise between
them; what is no frame becomes a fault, never silence.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property
from itertools import islice
from typing import Final

from parsers.assembly import Assembler, Found
from parsers.cells import CONTROL, CellError, shown, trimmed
from parsers.errors import ParseError
from parsers.forms import FieldRules, Form, FrameRules
from parsers.framer import Damaged, Frame, Framer, show_bytes
from parsers.plain_messages import PlainMessages
from parsers.readings import Fault, Parsed, Reading, Resume, Span
from parsers.text import encoded_width, offsets_in

__all__ = ["Damaged", "Frame", "FrameReader", "Framer", "parse", "parse_frame", "parse_in_parts"]

_SLICE: Final = 1 << 16  # bytes handed to the framer at a time, so memory stays small
_WORTHWHILE: Final = 8  # frames that pay for the making of a reader of runs
_PART: Final = 512  # frames and damaged parts read at a time


def parse(data: bytes, form: Form, *, final: bool = True, resume: Resume | None = None) -> Parsed:
    """Return the readings and faults of all frames in `data`; see `parse_in_parts`."""
    parts = list(parse_in_parts(data, form, final=final, resume=resume))
    return Parsed(
        readings=tuple(reading for part in parts for reading in part.readings),
        faults=tuple(fault for part in parts for fault in part.faults),
        complete_to=parts[-1].complete_to,
        resume=parts[-1].resume,
    )


def parse_in_parts(
    data: bytes, form: Form, *, final: bool = True, resume: Resume | None = None
) -> Iterator[Parsed]:
    """Yield the readings and faults of all frames in `data`, some thousand at a time.

    Args:
        data: the bytes of the capture, from `resume.offset` on.
        form: a form of shape "frame".
        final: nothing more belongs to the capture: an unfinished frame at its end is a fault.
            Otherwise it is left for later and `complete_to` stops before it.
        resume: where an earlier call stopped.

    Raises:
        ParseError: there are no bytes at all.
    """
    begin = resume or Resume()
    if not data and not begin.offset and final:
        raise ParseError(offset=0, expected="at least one frame", found="nothing to read")
    reader = FrameReader(form)
    is_mid_stream = bool(begin.state.get("mid_stream", False))
    framer = Framer(reader.rules, mid_stream=is_mid_stream, offset=begin.offset)
    end = begin.offset + len(data)
    answers = _answers(framer, data, final=final)
    left = form.limits.rows
    while batch := list(islice(answers, min(_PART, left))):
        left -= len(batch)
        yield _part(*reader.read_all(batch), _resume(framer))
    if left == 0 and (beyond := next(answers, None)) is not None:
        expected = f"at most {form.limits.rows} frames (limits.rows)"
        fault = _fault(beyond.offset, expected, show_bytes(beyond.data))
        yield _part([], [fault], Resume(offset=end))
    else:
        yield _part([], [], _resume(framer))


def _part(readings: list[Reading], faults: list[Fault], resume: Resume) -> Parsed:
    return Parsed(
        readings=tuple(readings),
        faults=tuple(faults),
        complete_to=resume.offset,
        resume=resume,
    )


def _resume(framer: Framer) -> Resume:
    return Resume(offset=framer.offset, state={"mid_stream": framer.is_mid_stream})


def parse_frame(frame: Frame, form: Form) -> Parsed:
    """Return what one frame of a framer says: one reading, or the faults that prevent it.

    Offsets count from the beginning of the framer's stream. For many frames of one form keep a
    `FrameReader` instead.
    """
    got = FrameReader(form).read(frame)
    end = frame.offset + len(frame.data)
    if isinstance(got, Reading):
        return Parsed(readings=(got,), complete_to=end)
    return Parsed(faults=tuple(got), complete_to=end)


def as_fault(damaged: Damaged) -> Fault:
    """Return the fault that a damaged part stands for."""
    return Fault(
        offset=damaged.offset,
        line=0,
        field="",
        expected=damaged.expected,
        found=damaged.found,
    )


def _answers(framer: Framer, data: bytes, *, final: bool) -> Iterator[Frame | Damaged]:
    for at in range(0, len(data), _SLICE):
        framer.receive(data[at : at + _SLICE])
        while (answer := framer.next_frame()) is not None:
            yield answer
    if final:
        framer.end_of_silence()
        while (answer := framer.next_frame()) is not None:
            yield answer


class FrameReader:
    """Reads the messages of one form, frame after frame."""

    def __init__(self, form: Form) -> None:
        if form.frame is None:
            raise ValueError(f"form {form.name} is of shape {form.shape}, not frame")
        self.rules: FrameRules = form.frame
        self._assembler = Assembler(form)
        self._fields: Mapping[str, FieldRules] = form.fields
        self._encodings = form.text.encodings or ("utf-8",)
        self._delimiter, self._cells = form.frame.delimiter, form.frame.cells
        self._positions = [
            (name, rules.position)
            for name, rules in form.fields.items()
            if rules.position is not None
        ]
        self._divide = {
            "delimited": self._by_delimiter,
            "fixed": self._by_characters,
            "pairs": self._by_labels,
        }[self.rules.layout]

    def read_all(self, answers: Sequence[Frame | Damaged]) -> tuple[list[Reading], list[Fault]]:
        """Return the readings and faults of what the framer gave, in order."""
        readings: list[Reading] = []
        faults: list[Fault] = []
        run: list[Frame] = []
        for answer in answers:
            if isinstance(answer, Frame):
                run.append(answer)
                continue
            self._read_run(run, readings, faults)
            run = []
            faults.append(as_fault(answer))
        self._read_run(run, readings, faults)
        return readings, faults

    def _read_run(
        self, frames: Sequence[Frame], readings: list[Reading], faults: list[Fault]
    ) -> None:
        at = 0
        while at < len(frames):
            if len(frames) - at >= _WORTHWHILE and self._plain is not None:
                made = self._plain.read(frames[at:])
                readings += made
                at += len(made)
                if at == len(frames):
                    break
            got = self.read(frames[at])
            at += 1
            if isinstance(got, Reading):
                readings.append(got)
            else:
                faults += got

    @cached_property
    def _plain(self) -> PlainMessages | None:
        return PlainMessages.fitting(self._assembler)

    def read(self, frame: Frame) -> Reading | list[Fault]:
        """Return the reading in `frame`, or every fault that stands in its way."""
        span = Span(frame.offset, frame.offset + len(frame.data))
        start = frame.offset + frame.payload_start
        decoded = self._decode(frame.payload, start)
        if isinstance(decoded, Fault):
            return [decoded]
        text, offset_of = decoded
        if not text.isprintable() and (control := CONTROL.search(text)):
            return [_fault(offset_of(control.start()), "printable characters", control[0])]
        has_line_ends = "\r" in text or "\n" in text
        found: dict[str, Found] = {}
        places: dict[str, int] = {}
        faults: list[Fault] = []
        for item in self._divide(text, offset_of):
            if isinstance(item, Fault):
                faults.append(item)
                continue
            name, at, end = item
            places[name] = offset_of(at)
            cell = text[at:end]
            if has_line_ends and ("\r" in cell or "\n" in cell):
                faults.append(_fault(places[name], "text without line ends", cell, name))
                continue
            try:
                for part, first, last in self._assembler.divide(name, cell):
                    place = Span(offset_of(at + first), offset_of(at + last))
                    found[part] = Found(cell[first:last], place)
            except CellError as error:
                faults.append(_fault(places[name], error.expected, cell, name))
        if faults:
            return faults
        return self._assembler.assemble(found, places=places, span=span, line=0)

    def _decode(self, payload: bytes, start: int) -> tuple[str, Callable[[int], int]] | Fault:
        """Return the text of the message and the byte offset of each of its characters."""
        first: UnicodeDecodeError | None = None
        for encoding in self._encodings:
            try:
                text = payload.decode(encoding)
            except UnicodeDecodeError as error:
                first = first or error
                continue
            end = start + len(payload)
            return text, offsets_in(text, start, end, encoded_width(encoding))
        at = first.start if first is not None else 0
        named = " or ".join(self._encodings)
        return _fault(start + at, f"text in {named}", f"byte 0x{payload[at]:02X}")

    def _by_delimiter(
        self, text: str, offset_of: Callable[[int], int]
    ) -> Iterator[tuple[str, int, int] | Fault]:
        cells = list(_pieces(text, self._delimiter))
        count = len(cells)
        if self._cells is not None and count != self._cells:
            expected = f"{self._cells} cells parted by {self._delimiter!r}, not {count}"
            yield _fault(offset_of(0), expected, text)
            return
        for name, position in self._positions:
            if position <= count:
                yield name, *cells[position - 1]
            elif self._fields[name].required != "no":
                expected = f"{position} cells parted by {self._delimiter!r}, not {count}"
                yield _fault(offset_of(len(text)), expected, text, name)

    def _by_characters(
        self, text: str, offset_of: Callable[[int], int]
    ) -> Iterator[tuple[str, int, int] | Fault]:
        for name, field in self._fields.items():
            if field.start is None or field.end is None:
                continue
            if field.start <= len(text):
                yield name, field.start - 1, min(field.end, len(text))
            elif field.required != "no":
                expected = f"at least {field.start} characters, not {len(text)}"
                yield _fault(offset_of(len(text)), expected, text, name)

    def _by_labels(
        self, text: str, offset_of: Callable[[int], int]
    ) -> Iterator[tuple[str, int, int] | Fault]:
        """Pairs in any order. A label twice is a fault; so is an unknown one without a checksum,
        because damage can turn one label into another.
        """
        rules = self.rules
        names = {label: name for name, field in self._fields.items() for label in field.label}
        seen: set[str] = set()
        for at, end in _pieces(text, rules.delimiter):
            pair = text[at:end]
            if not pair.strip():
                continue
            label, separator, _ = pair.partition(rules.pair_separator)
            name = names.get(label.strip())
            if not separator:
                yield _fault(offset_of(at), f"label{rules.pair_separator}text", pair)
            elif name is None:
                if rules.unchecked:
                    yield _fault(offset_of(at), f"one of the labels {', '.join(names)}", label)
            elif name in seen:
                yield _fault(offset_of(at), f"label {label.strip()!r} once", pair, name)
            else:
                seen.add(name)
                yield name, at + len(label) + len(separator), end
        for name, field in self._fields.items():
            if field.label and name not in seen and field.required == "place":
                yield _fault(offset_of(len(text)), f"label {field.label[0]!r}", "", name)


def _pieces(text: str, delimiter: str) -> Iterator[tuple[int, int]]:
    """Start and end of each part of `text` between delimiters."""
    at = 0
    for part in text.split(delimiter):
        yield at, at + len(part)
        at += len(part) + len(delimiter)


def _fault(offset: int, expected: str, found: str, name: str = "") -> Fault:
    start, end = trimmed(found)
    return Fault(
        offset=offset, line=0, field=name, expected=expected, found=shown(found[start:end])
    )
