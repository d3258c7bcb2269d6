"""Bytes become lines of text, each with its place in the capture.

Strategy. The bytes are taken in pieces that end at a line end, so memory stays small and a file
that grows is read on from its last line end. A piece is decoded as a whole when it can be; only
a piece with a damaged byte is decoded line by line, and only the damaged lines are lost.

Which encoding holds is settled once: by a byte order mark, by the form when it names a single
one, else by the first line with a byte beyond ASCII, for which the first declared encoding that
can read the line is taken. Nothing read before that line depends on the choice, so a file gives
the same text whether it is read at once or as it grows.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import accumulate, repeat
from operator import add
from typing import Final, NamedTuple

from parsers.errors import ParseError
from parsers.forms import TextRules

PIECE: Final = 1 << 14  # bytes decoded at a time; what comes of more does not fit the caches
_LINE_END: Final = re.compile("\r\n|\r|\n")
_BYTE_LINE_END: Final = re.compile(b"\r\n|\r|\n")
_MARKS: Final = (
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)
_ODD: Final = b"\1"
_PRINTABLE: Final = {0x09, 0x0A, 0x0D, *range(0x20, 0x7F)}
_ODDITIES: Final = b"".join(b"\0" if byte in _PRINTABLE else _ODD for byte in range(256))
_ZERO_AT: Final = {"utf-16-le": 1, "utf-16-be": 0}  # where the zero byte of an ASCII character is


class Damaged(NamedTuple):
    """A byte that the encoding does not allow: where, and what it is."""

    offset: int
    found: str


class Line(NamedTuple):
    """One line without its line end.

    Attributes:
        text: its characters.
        start, end: its bytes in the capture.
        number: counted from 1.
        next_start: byte offset behind its line end.
    """

    text: str
    start: int
    end: int
    number: int
    next_start: int


@dataclass(slots=True)
class Lines:
    """Consecutive lines without their line ends.

    Attributes:
        texts: one string a line; "" for a damaged one.
        starts, ends: byte offsets of each line's text in the capture.
        first: line number of the first.
        damaged: index of each line that could not be decoded.
        is_printable: known to hold nothing but printable ASCII characters and tabs.
    """

    texts: list[str]
    starts: list[int]
    ends: list[int]
    first: int
    damaged: dict[int, Damaged] = field(default_factory=dict)
    is_printable: bool = False


class LineReader:
    """Lines of a capture, from its start or from where an earlier reading stopped."""

    def __init__(
        self,
        data: bytes,
        rules: TextRules,
        *,
        origin: int = 0,
        line: int = 0,
        state: Mapping[str, object] | None = None,
        final: bool = True,
        piece: int = PIECE,
    ) -> None:
        """Settle what the first bytes settle.

        Args:
            data: the bytes from `origin` on.
            rules: the form's encodings.
            origin: byte offset of `data` in the capture.
            line: number of the last line before `data`.
            state: what `state` gave when reading stopped at `origin`.
            final: False while more bytes may come.
            piece: bytes decoded at a time.

        Raises:
            ParseError: the byte order mark contradicts the form, or one that it asks for is
                missing.
        """
        self._data = data
        self._piece = piece
        self._origin = origin
        self._at = 0
        self.line = line
        self.encoding: str | None = None
        self._candidates: tuple[str, ...] = ()
        self._after_cr = False
        self._is_waiting = False
        if state:
            self.encoding = str(state["encoding"]) if state["encoding"] else None
            self._candidates = tuple(str(state["candidates"]).split())
            self._after_cr = bool(state["after_cr"])
        elif not final and len(data) < 3:
            self._is_waiting = True  # too short to tell a byte order mark from its absence
        else:
            self._settle_start(rules.encodings or ("utf-8", "utf-16"))

    @property
    def offset(self) -> int:
        """Byte offset behind the last line that was given out."""
        return self._origin + self._at

    @property
    def is_empty(self) -> bool:
        """Nothing but perhaps a byte order mark."""
        return self._at >= len(self._data)

    @property
    def unit(self) -> int:
        """Bytes of an ASCII character."""
        return 2 if self.encoding in _ZERO_AT else 1

    def state(self) -> dict[str, object]:
        """What the next reading must know, as plain JSON values."""
        return {
            "encoding": self.encoding or "",
            "candidates": " ".join(self._candidates),
            "after_cr": self._after_cr,
        }

    def width(self, text: str) -> int:
        """Bytes that `text` takes in the capture."""
        if self.unit == 1 and text.isascii():
            return len(text)
        return len(text.encode(self.encoding or "ascii"))

    def pieces(self) -> Iterator[Lines]:
        """All ended lines, some thousand at a time."""
        if self._is_waiting:
            return
        self._skip_half_line_end()
        while end := self._piece_end():
            start, self._at = self._at, end
            lines = self._decoded(start, end)
            self.line += len(lines.texts)
            yield lines

    def tail(self) -> Lines | None:
        """The last line, without a line end; None where the bytes end with one."""
        start = self._at
        if self._is_waiting or start >= len(self._data):
            return None
        return self._by_line(self._data[start:], start)

    def _settle_start(self, declared: tuple[str, ...]) -> None:
        named = " or ".join(declared)
        for mark, encoding in _MARKS:
            if self._data.startswith(mark):
                if encoding not in declared and not (
                    encoding in _ZERO_AT and "utf-16" in declared
                ):
                    found = f"a byte order mark of {encoding}"
                    raise ParseError(offset=0, expected=f"text in {named}", found=found)
                self.encoding = encoding
                self._at = len(mark)
                return
        candidates = [name for name in declared if name != "utf-16"]
        for name, zero_at in _ZERO_AT.items():
            if name in candidates and len(candidates) > 1:
                if self._data[zero_at : zero_at + 1] == b"\0":
                    candidates = [name]
                else:
                    candidates.remove(name)
        if not candidates:
            expected = f"a byte order mark of {named}"
            raise ParseError(offset=0, expected=expected, found=self._data[:8].hex(" "))
        self._candidates = tuple(candidates)
        if len(candidates) == 1:
            self.encoding = candidates[0]

    def _skip_half_line_end(self) -> None:
        """Pass over the LF whose CR ended the bytes read before."""
        if self._after_cr and self._at < len(self._data):
            feed = "\n".encode(self.encoding or "ascii")
            if len(self._data) - self._at >= len(feed):
                if self._data.startswith(feed, self._at):
                    self._at += len(feed)
                self._after_cr = False

    def _piece_end(self) -> int:
        """Index behind the last line end in the next piece, 0 where none is left."""
        data, at = self._data, self._at
        limit = at + self._piece
        end = self._last(b"\n", at, limit) or self._last(b"\r", at, limit)
        if not end and limit < len(data):
            end = self._next_end(at)
        if not end:
            return 0
        if self._is_at(b"\r", end - self.unit):
            if self._is_at(b"\n", end):
                end += self.unit
            elif len(data) < end + self.unit:
                self._after_cr = True
        return end

    def _encoded(self, byte: bytes) -> bytes:
        return byte.decode().encode(self.encoding) if self.encoding in _ZERO_AT else byte

    def _is_at(self, byte: bytes, at: int) -> bool:
        return self._data.startswith(self._encoded(byte), at)

    def _last(self, byte: bytes, at: int, limit: int) -> int:
        sought, unit = self._encoded(byte), self.unit
        found = self._data.rfind(sought, at, limit)
        while found >= 0 and (found - at) % unit:
            found = self._data.rfind(sought, at, found + unit - 1)
        return found + unit if found >= 0 else 0

    def _next_end(self, at: int) -> int:
        ends = []
        for byte in (b"\n", b"\r"):
            sought, unit = self._encoded(byte), self.unit
            found = self._data.find(sought, at)
            while found >= 0 and (found - at) % unit:
                found = self._data.find(sought, found + 1)
            if found >= 0:
                ends.append(found + unit)
        return min(ends, default=0)

    def _decoded(self, start: int, end: int) -> Lines:
        piece = self._data[start:end]
        if self.encoding is None and not piece.isascii():
            return self._by_line(piece, start)
        try:
            text = piece.decode(_python_name(self.encoding or "ascii"))
        except UnicodeDecodeError:
            return self._by_line(piece, start)
        return self._split(text, piece, self._origin + start)

    def _split(self, text: str, piece: bytes, start: int) -> Lines:
        """Lines of a piece that decoded as a whole."""
        unit = self.unit
        returns = text.count("\r") if "\r" in text else 0
        if returns == 0 or returns == text.count("\r\n") == text.count("\n"):
            line_end = "\r\n" if returns else "\n"
            texts = text.split(line_end)
            texts.pop()
            ends_with: Iterable[int] = repeat(len(line_end) * unit)
        else:
            texts = _LINE_END.split(text)
            texts.pop()
            ends_with = [len(found[0]) * unit for found in _LINE_END.finditer(text)]
        if len(piece) == len(text) * unit:
            widths = list(map(len, texts)) if unit == 1 else [len(line) * unit for line in texts]
        else:
            widths = [self.width(line) for line in texts]
        starts = list(accumulate(map(add, widths, ends_with), initial=start))
        starts.pop()
        return Lines(
            texts,
            starts,
            list(map(add, starts, widths)),
            self.line + 1,
            is_printable=unit == 1 and _ODD not in piece.translate(_ODDITIES),
        )

    def _by_line(self, piece: bytes, start: int) -> Lines:
        """Lines of a piece, decoded one by one; settles the encoding where that is open."""
        lines = Lines([], [], [], self.line + 1)
        for at, end in self._byte_lines(piece):
            raw = piece[at:end]
            place = self._origin + start + at
            try:
                text = self._decode_line(raw)
            except UnicodeDecodeError as error:
                lines.damaged[len(lines.texts)] = Damaged(
                    place + error.start, f"byte 0x{raw[error.start]:02X}"
                )
                text = ""
            lines.texts.append(text)
            lines.starts.append(place)
            lines.ends.append(place + len(raw))
        return lines

    def _decode_line(self, raw: bytes) -> str:
        if self.encoding is not None:
            return raw.decode(_python_name(self.encoding))
        if raw.isascii():
            return raw.decode("ascii")
        for name in self._candidates:
            try:
                text = raw.decode(_python_name(name))
            except UnicodeDecodeError:
                continue
            self.encoding = name
            return text
        return raw.decode("ascii")

    def _byte_lines(self, piece: bytes) -> Iterator[tuple[int, int]]:
        """Start and end of each line in `piece`, line ends left out."""
        if self.unit == 1:
            at = 0
            for found in _BYTE_LINE_END.finditer(piece):
                yield at, found.start()
                at = found.end()
            if at < len(piece):
                yield at, len(piece)
            return
        feed, back = self._encoded(b"\n"), self._encoded(b"\r")
        at = here = 0
        while here < len(piece):
            pair = piece[here : here + 2]
            here += 2
            if pair in (feed, back):
                yield at, here - 2
                if pair == back and piece[here : here + 2] == feed:
                    here += 2
                at = here
        if at < len(piece):
            yield at, len(piece)


def offsets_in(
    text: str, start: int, end: int, width: Callable[[str], int]
) -> Callable[[int], int]:
    """The byte offset of each character of `text`, which fills the bytes `start` to `end`.

    Args:
        text: characters of the capture.
        start, end: where they stand.
        width: gives the bytes that a text takes.
    """
    if end - start == len(text):  # one byte a character
        return start.__add__
    return lambda character: start + width(text[:character])


def encoded_width(encoding: str) -> Callable[[str], int]:
    """The function that gives the bytes which a text takes in this encoding."""
    return lambda text: len(text.encode(encoding))


def _python_name(encoding: str) -> str:
    return encoding.replace("windows-", "cp")
