"""Bytes of a serial line cut into frames, without touching the line.

Strategy. The framer keeps the bytes that no answer has been given for and looks only at their
beginning. There are four things that can be said about it, and each is said as early as it is
certain, so the answers are the same however the bytes were delivered:

- it is not the start of a frame: everything before the next start is `Damaged`, "outside";
- it is a whole frame and its check value agrees: a `Frame`;
- it can no longer become one: `Damaged`, but only up to the next start bytes inside it, so that
  a good frame behind a lost end is still read;
- it may still become one: None, wait for more.

No byte is dropped: the data of all frames and damaged parts, joined, plus what is pending, are
the bytes received. A limit ends every hope, so noise without end cannot fill the memory.
"""

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from parsers.checksums import CHECKSUMS
from parsers.forms import ChecksumRules, FrameRules, LengthField

Damage = Literal["outside", "check", "length", "end", "limit", "cut"]

_FOUND_LIMIT: Final = 40
_FIRST_PRINTABLE: Final = 0x20
_DIGITS: Final = {10: b"0123456789", 16: b"0123456789ABCDEFabcdef"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One whole frame whose check value agrees, or for which none is declared.

    Attributes:
        offset: bytes from the beginning of the stream to the first byte of the frame.
        data: all its bytes, start, check value, end and the bytes `after` included.
        payload_start, payload_end: where in `data` the message itself stands.
    """

    offset: int
    data: bytes
    payload_start: int
    payload_end: int

    @property
    def payload(self) -> bytes:
        """The message itself."""
        return self.data[self.payload_start : self.payload_end]


@dataclass(frozen=True, slots=True, kw_only=True)
class Damaged:
    """Bytes that are no frame.

    Attributes:
        offset: bytes from the beginning of the stream.
        data: the bytes.
        damage: "outside" (between frames), "check" (check value), "length" (stated length),
            "end" (end bytes), "limit" (no end within the byte limit), "cut" (broken off).
        expected, found: for the fault, in words; `found` has control characters escaped.
    """

    offset: int
    data: bytes
    damage: Damage
    expected: str
    found: str

    @property
    def began_as_frame(self) -> bool:
        """True when the instrument meant to say something, so a refusal may be sent."""
        return self.damage != "outside"


@dataclass(frozen=True, slots=True)
class _Refusal:
    """Why the first `size` bytes are no frame."""

    size: int
    damage: Damage
    expected: str
    found: str


def show_bytes(data: bytes) -> str:
    """Return at most 40 characters that show `data`, control characters escaped."""
    text = data[:_FOUND_LIMIT].decode("latin-1").encode("unicode_escape").decode("ascii")
    return text[:_FOUND_LIMIT]


class Framer:
    """Turns received bytes into frames and damaged parts, in the order of arrival.

    Args:
        rules: the form's frame section.
        mid_stream: the line was opened while a message may have been under way. A form without
            start bytes then reads nothing before the first end (or silence), because half a
            line can look like a whole one.
        offset: bytes of the stream that were read before.
    """

    def __init__(self, rules: FrameRules, *, mid_stream: bool = False, offset: int = 0) -> None:
        self._rules = rules
        self._buffer = bytearray()
        self._offset = offset
        self._silences: deque[int] = deque()
        self._adrift = mid_stream and not rules.start
        self._usual = self._usual_pattern()

    @property
    def pending(self) -> bytes:
        """Bytes received that no answer has been given for yet."""
        return bytes(self._buffer)

    @property
    def offset(self) -> int:
        """Bytes for which an answer has been given, from the beginning of the stream."""
        return self._offset

    @property
    def is_mid_stream(self) -> bool:
        """True while what comes next may be the rest of something damaged."""
        return self._adrift

    def receive(self, data: bytes) -> None:
        """Take over the bytes that have arrived."""
        self._buffer += data

    def end_of_silence(self) -> None:
        """Note that nothing more belongs to what has arrived so far.

        The shell calls this when the line has been quiet for `idle_end_ms`, and when the stream
        is at its end. With nothing pending it does no harm.
        """
        self._silences.append(self._offset + len(self._buffer))

    def next_frame(self) -> Frame | Damaged | None:
        """Return the next frame or damaged part; None when more bytes are needed."""
        while True:
            is_cut = bool(self._silences)
            size = self._silences[0] - self._offset if is_cut else len(self._buffer)
            if size > 0:
                return self._judge(size, is_cut=is_cut)
            if not is_cut:
                return None
            self._silences.popleft()
            self._adrift = False

    def _judge(self, size: int, *, is_cut: bool) -> Frame | Damaged | None:
        """Say what the first of `size` bytes are; None only when more may follow."""
        if self._usual is not None and (frame := self._usual_frame(self._usual, size)):
            return frame
        outside = self._outside(size, is_cut=is_cut)
        if outside is None:
            return None
        if outside:
            expected = f"start of a frame ({show_bytes(self._rules.start)})"
            found = show_bytes(bytes(self._buffer[:outside]))
            return self._give_up(_Refusal(outside, "outside", expected, found))
        refusal: _Refusal | None = None
        for total in self._totals(size, is_cut=is_cut):
            if isinstance(total, _Refusal):
                refusal = refusal or total
                continue
            if total > size:
                if not is_cut:
                    return None
                refusal = refusal or _Refusal(
                    size, "cut", f"a frame of {total} bytes", f"{size} bytes, then silence"
                )
                break
            answer = self._check(total)
            if isinstance(answer, _Refusal):
                refusal = refusal or answer
                continue
            start, end = answer
            after = self._after(total, size, is_cut=is_cut)
            if after is None:
                return None
            offset = self._offset
            return Frame(
                offset=offset, data=self._take(total + after), payload_start=start, payload_end=end
            )
        return None if refusal is None else self._give_up(refusal)

    def _usual_frame(self, usual: re.Pattern[bytes], size: int) -> Frame | None:
        """The frame at the front, if it is whole and nothing about it is in doubt."""
        rules, check = self._rules, self._rules.checksum
        found = usual.match(self._buffer, 0, size)
        if found is None or found.end() - len(rules.after) > rules.limit:
            return None
        if check and found[2].upper() != _expected_check(check, rules, found[1]):
            return None
        start, end = found.span(1)
        offset, data = self._offset, self._take(found.end())
        return Frame(offset=offset, data=data, payload_start=start, payload_end=end)

    def _outside(self, size: int, *, is_cut: bool) -> int | None:
        """Return how many bytes stand before the next start; None when that is not yet sure."""
        start = self._rules.start
        if not start:
            return 0
        limit = self._rules.limit
        at = self._buffer.find(start, 0, size)
        if at >= 0:
            return min(at, limit)
        if is_cut:
            # What is left at the end may be a start that broke off; it is damaged either way.
            return min(size, limit)
        return limit if size >= limit + len(start) - 1 else None

    def _totals(self, size: int, *, is_cut: bool) -> Iterator[int | _Refusal]:
        """Yield the possible lengths of the frame at the front, then why there is none other.

        Yields nothing, or nothing more, when more bytes may tell.
        """
        rules = self._rules
        if rules.length is not None:
            yield rules.length
        elif rules.length_field is not None:
            yield from self._stated_total(rules.length_field, size, is_cut=is_cut)
        elif rules.end:
            yield from self._totals_by_end(size, is_cut=is_cut)
        elif is_cut and size <= rules.limit:
            yield size
        elif size >= rules.limit:
            yield self._over_limit(rules.limit)

    def _stated_total(
        self, field: LengthField, size: int, *, is_cut: bool
    ) -> Iterator[int | _Refusal]:
        behind = field.offset + field.size
        if size < behind:
            if is_cut:
                yield _Refusal(size, "cut", "a stated length", f"{size} bytes, then silence")
            return
        text = bytes(self._buffer[field.offset : behind])
        number: int | None
        if field.written == "decimal":
            number = _read_digits(text, 10)
        elif field.written == "hex":
            number = _read_digits(text, 16)
        else:
            number = int.from_bytes(text, field.written)
        least = max(behind, len(self._rules.start)) + len(self._rules.end) + self._check_size()
        total = None if number is None else number + field.adds
        if total is None or not least <= total <= self._rules.limit:
            expected = f"frame length from {least} to {self._rules.limit} bytes"
            yield _Refusal(behind, "length", expected, show_bytes(text))
        else:
            yield total

    def _totals_by_end(self, size: int, *, is_cut: bool) -> Iterator[int | _Refusal]:
        """Yield one length for the first end bytes; several where a check value can look so.

        A binary check value in front of the end bytes may hold these by chance. The true end
        then lies at most as many bytes behind the false one as the check value has.
        """
        rules = self._rules
        check = rules.checksum
        behind = self._check_size() if check and check.place == "after_end" else 0
        before = self._check_size() - behind
        is_doubtful = check is not None and check.written != "hex"
        least = len(rules.start) + before
        at = self._buffer.find(rules.end, least, min(size, rules.limit))
        if at < 0:
            if size >= rules.limit:
                yield self._over_limit(rules.limit)
            elif is_cut:
                expected = f"end of the frame ({show_bytes(rules.end)})"
                yield _Refusal(size, "cut", expected, show_bytes(bytes(self._buffer[:size])))
            return
        last = at + (before if is_doubtful else 0)
        while 0 <= at <= last:
            total = at + len(rules.end) + behind
            if total > rules.limit:
                yield self._over_limit(at + len(rules.end))
                return
            yield total
            at = self._buffer.find(rules.end, at + 1, min(size, last + len(rules.end)))
        if size < last + len(rules.end) and not is_cut:
            yield size + 1  # the true end may be the next byte

    def _over_limit(self, size: int) -> _Refusal:
        expected = f"whole frame within {self._rules.limit} bytes"
        return _Refusal(size, "limit", expected, show_bytes(bytes(self._buffer[:size])))

    def _is_ended_by_bytes(self) -> bool:
        rules = self._rules
        return bool(rules.end) and rules.length is None and rules.length_field is None

    def _tells_a_start(self) -> bool:
        """Return whether start bytes inside a message prove that an earlier one broke off there.

        Control characters do, as messages are text. Without this two frames run together by a
        lost end agree with an exclusive-or or a sum far too often: the first frame and its own
        check value cancel out.
        """
        start = self._rules.start
        return self._is_ended_by_bytes() and bool(start) and max(start) < _FIRST_PRINTABLE

    def _usual_pattern(self) -> re.Pattern[bytes] | None:
        """What most frames look like: start, message, end, a hexadecimal check value, `after`.

        None where start or end may stand in the message, or an end in the check value; there
        it takes more to say where a frame ends.
        """
        rules, check = self._rules, self._rules.checksum
        if not self._tells_a_start() or len(rules.start) != 1 or len(rules.end) != 1:
            return None
        if check and (check.written != "hex" or rules.end.isalnum()):
            return None
        start, end = re.escape(rules.start), re.escape(rules.end)
        message = b"([^%b%b]*)" % (start, end)
        value = b"([0-9A-Fa-f]{%d})" % self._check_size() if check else b""
        behind = check is not None and check.place == "after_end"
        tail = end + value if behind else value + end
        return re.compile(start + message + tail + re.escape(rules.after))

    def _check_size(self) -> int:
        check = self._rules.checksum
        if check is None:
            return 0
        return CHECKSUMS[check.name].width * (2 if check.written == "hex" else 1)

    def _check(self, total: int) -> tuple[int, int] | _Refusal:
        """Return where the payload stands in the first `total` bytes, or what is wrong."""
        rules, check = self._rules, self._rules.checksum
        data = bytes(self._buffer[:total])
        check_size = self._check_size()
        is_behind = check is not None and check.place == "after_end"
        end_at = total - len(rules.end) - (check_size if is_behind else 0)
        body_end = end_at if is_behind else end_at - check_size
        body_start = len(rules.start)
        if self._adrift:
            return _Refusal(total, "cut", "beginning of a frame", show_bytes(data))
        if body_end < body_start:
            least = total + body_start - body_end
            return _Refusal(total, "length", f"at least {least} bytes", show_bytes(data))
        end = data[end_at : end_at + len(rules.end)]
        if end != rules.end:
            return _Refusal(
                total, "end", f"end of the frame ({show_bytes(rules.end)})", show_bytes(end)
            )
        if check is not None:
            check_at = end_at + len(rules.end) if is_behind else body_end
            written = data[check_at : check_at + check_size]
            expected = _expected_check(check, rules, data[body_start:body_end])
            if _folded(written, check) != expected:
                asked = f"{check.name} check value {show_bytes(expected)}"
                return _Refusal(total, "check", asked, show_bytes(written))
        inner = data.find(rules.start, body_start, body_end) if self._tells_a_start() else -1
        if inner > 0:
            expected_end = f"end of the frame ({show_bytes(rules.end)})"
            return _Refusal(total, "cut", expected_end, show_bytes(data[:inner]))
        field = rules.length_field
        if field is not None:
            body_start = max(body_start, field.offset + field.size)
        return body_start, body_end

    def _after(self, total: int, size: int, *, is_cut: bool) -> int | None:
        """Return how many of the bytes `after` follow the frame; None when more may come."""
        after = self._rules.after
        have = bytes(self._buffer[total : min(size, total + len(after))])
        if not after.startswith(have):
            return 0
        return len(have) if have == after or is_cut else None

    def _give_up(self, refusal: _Refusal) -> Damaged:
        """Take the damaged bytes off the front, up to the next start bytes among them."""
        rules = self._rules
        size = refusal.size
        if rules.start and refusal.damage != "outside":
            inner = self._buffer.find(rules.start, 1, size)
            size = inner if inner > 0 else size
        elif not rules.start:
            # Without start bytes only an end (or silence) says where the next frame begins.
            self._adrift = refusal.damage == "limit" or not self._is_ended_by_bytes()
        offset = self._offset
        return Damaged(
            offset=offset,
            data=self._take(size),
            damage=refusal.damage,
            expected=refusal.expected,
            found=refusal.found,
        )

    def _take(self, size: int) -> bytes:
        data = bytes(self._buffer[:size])
        del self._buffer[:size]
        self._offset += size
        return data


def _read_digits(text: bytes, radix: Literal[10, 16]) -> int | None:
    """Return the number that ASCII digits spell, or None when there is anything else."""
    return int(text, radix) if text and all(byte in _DIGITS[radix] for byte in text) else None


def _expected_check(check: ChecksumRules, rules: FrameRules, body: bytes) -> bytes:
    """Return the check value of `body` as the form writes it, hexadecimal in capitals."""
    checksum = CHECKSUMS[check.name]
    covered = (
        (rules.start if check.covers_start else b"")
        + body
        + (rules.end if check.covers_end else b"")
    )
    value = checksum.compute(covered)
    if check.written == "hex":
        return f"{value:0{2 * checksum.width}X}".encode("ascii")
    return value.to_bytes(checksum.width, check.written)


def _folded(written: bytes, check: ChecksumRules) -> bytes:
    return written.upper() if check.written == "hex" else written
