"""Which bytes of a line the kernel has marked as damaged, and the bytes without the marks."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Received:
    """Bytes in order of arrival; `bad` are the indices of those the line reported as damaged."""

    data: bytes
    bad: tuple[int, ...] = ()


class MarkReader:
    """Takes the kernel's marks of damaged bytes out of the stream.

    Under PARMRK the kernel writes FF 00 X for a byte X with wrong parity or framing, FF 00 00
    for a break, and FF FF for a plain FF. A plain FF that was received before marking began stands
    alone; it is taken for what it is unless 00 or FF follows.

    Source: termios(3) of Linux, PARMRK; worked sequences in test_line_marks.
    """

    def __init__(self) -> None:
        self._held = b""

    def read(self, marked: bytes) -> Received:
        """The bytes themselves; a mark cut in two waits for its rest."""
        if not self._held and 0xFF not in marked:
            return Received(marked)
        marked, self._held = self._held + marked, b""
        data = bytearray()
        bad = []
        at = 0
        while at < len(marked):
            mark = marked.find(b"\xff", at)
            if mark < 0:
                data += marked[at:]
                break
            data += marked[at:mark]
            following = marked[mark + 1 : mark + 2]
            if following not in (b"", b"\0", b"\xff"):
                data.append(0xFF)
                at = mark + 1
                continue
            size = 3 if following == b"\0" else 2
            if mark + size > len(marked):
                self._held = marked[mark:]
                break
            if size == 3:
                bad.append(len(data))
            data.append(marked[mark + size - 1])
            at = mark + size
        return Received(bytes(data), tuple(bad))
