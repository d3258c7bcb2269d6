"""What a source hands over: the bytes of one arrival, with where and when."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One version of a file's whole content, as it lay in the folder.

    Attributes:
        source: name of the source.
        name: path relative to the folder; bytes that are no printable UTF-8, and `%` itself, as
            `%XX`, so that the exact name can be had back (RFC 3986, section 2.1).
        pieces: the content, cut anywhere; joined it is `data`.
        size, sha256: of the whole content, in bytes and as lower-case hexadecimal.
        final: two looks apart by the settling time agreed: what is unfinished now stays so.
        seen_at: when it was read, UTC.
        oversize: (size, sha256) of a file over the limit; then there are no pieces.
        continues: (size, sha256) of the version of this file delivered before, if this one
            begins with exactly those bytes. Equal to (`size`, `sha256`) where a version that
            was delivered unfinished is delivered again as final.
    """

    source: str
    name: str
    pieces: tuple[bytes, ...]
    size: int
    sha256: str
    final: bool
    seen_at: datetime
    oversize: tuple[int, str] | None = None
    continues: tuple[int, str] | None = None

    @property
    def data(self) -> bytes:
        """The whole content; joining costs a copy where there are several pieces."""
        return b"".join(self.pieces)

    @property
    def added(self) -> bytes:
        """The bytes after the version this one continues; everything where there is none."""
        return self.part(self.continues[0] if self.continues else 0)

    def part(self, start: int, stop: int | None = None) -> bytes:
        """Bytes `start` to `stop` of the content, without joining the rest of it."""
        if stop is None or stop > self.size:
            stop = self.size
        wanted = []
        offset = 0
        for piece in self.pieces:
            end = offset + len(piece)
            if end > start and offset < stop:
                wanted.append(piece[max(start - offset, 0) : stop - offset])
            offset = end
        return b"".join(wanted)
