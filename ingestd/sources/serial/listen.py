"""At the desk: what arrives on a line, raw and framed, and which settings make sense of it.

Nothing is stored and nothing is acknowledged, so an instrument that waits for an answer will
repeat itself while somebody listens.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final, Literal, Protocol

from ingestd.sources.serial.cutting import LineCutter, Piece
from ingestd.sources.serial.marks import Received
from ingestd.sources.serial.port import open_port
from ingestd.sources.serial.port_faults import PortLost, PortRefused
from ingestd.sources.serial.settings import Parity, WireSettings
from parsers.forms import Form
from parsers.frame import parse

ROW: Final = 16
LEAST_BYTES: Final = 8  # fewer say nothing about the settings
READABLE: Final = 0.95  # share of characters that text is made of; the rest are STX and the like
UNFINISHED_S: Final = 10.0

# The settings met most often, likeliest first: common practice, no source.
SPEEDS: Final = (9600, 19200, 4800, 2400, 1200, 38400, 57600, 115_200)
_CHARACTERS: Final[tuple[tuple[Literal[7, 8], Parity], ...]] = (
    (8, "none"),
    (7, "even"),
    (8, "even"),
    (7, "odd"),
    (8, "odd"),
)


class OpenLine(Protocol):
    """The part of an open port that listening needs."""

    def read(self, timeout_s: float) -> Received:
        """What has arrived; nothing after `timeout_s` of silence."""

    def write(self, data: bytes) -> bool:
        """Send all of `data`."""

    def close(self) -> bytes:
        """Give the port back."""


def listen(
    wire: WireSettings, *, form: Form | None = None, seconds: float | None = None
) -> Iterator[str]:
    """Lines to show, as bytes arrive: each row raw, and with a form each piece as it is framed.

    Args:
        wire: the port and how to open it.
        form: of shape frame; without it the bytes are shown raw only.
        seconds: how long to listen; None: until the port is lost or the caller stops.

    Raises:
        PortLost, PortRefused: the port cannot be opened, or went away.
    """
    port = open_port(wire)
    try:
        yield from _show(port, wire, form, seconds)
    finally:
        port.close()


def common_settings(port: str, *, speeds: Sequence[int] = SPEEDS) -> Iterator[WireSettings]:
    """The settings worth trying on a port, likeliest first.

    A plain TCP server takes none from us, so there is one choice only.
    """
    if port.startswith("socket://"):
        yield WireSettings(port=port)
        return
    for bits, parity in _CHARACTERS:
        for speed in speeds:
            yield WireSettings(port=port, baud=speed, bits=bits, parity=parity)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What was heard with one choice of settings.

    Attributes:
        received, bad: bytes, and those of them with wrong parity or framing.
        readable: bytes that text is made of.
        frames, damaged: frames that the form reads without a fault, and those that it does not;
            None without a form.
        refused: why the port could not be opened so.
    """

    wire: WireSettings
    received: int = 0
    bad: int = 0
    readable: int = 0
    frames: int | None = None
    damaged: int | None = None
    refused: str = ""

    @property
    def is_plausible(self) -> bool:
        """These may be the right settings."""
        if self.frames is not None:
            return self.frames > 0 and not self.bad
        return (
            self.received >= LEAST_BYTES
            and not self.bad
            and self.readable >= READABLE * self.received
        )

    def __str__(self) -> str:
        if self.refused:
            return f"{self.wire}: {self.refused}"
        if not self.received:
            return f"{self.wire}: nothing heard"
        words = [f"{self.received} bytes", f"{self.readable} of them text"]
        if self.bad:
            words.append(f"{self.bad} with wrong parity or framing")
        if self.frames is not None:
            words.append(f"{self.frames} frames read, {self.damaged} damaged")
        verdict = "plausible" if self.is_plausible else "no"
        return f"{self.wire}: {verdict} ({', '.join(words)})"


def guess_settings(
    candidates: Sequence[WireSettings],
    *,
    form: Form | None = None,
    seconds: float = 3.0,
    opened: Callable[[WireSettings], OpenLine] = open_port,
) -> Iterator[Trial]:
    """What is heard with each of the candidates, one after the other.

    The instrument has to send something during each trial: by hand, or because the form's
    request is sent. Silence speaks neither for nor against a choice.

    Args:
        candidates: such as `common_settings` gives.
        form: of shape frame; with it a choice is plausible where a frame is read without fault,
            without it where the bytes are text.
        seconds: of listening for each candidate.
        opened: opens the port.
    """
    for wire in candidates:
        try:
            port = opened(replace(wire, read_timeout_s=min(wire.read_timeout_s, seconds)))
        except (PortLost, PortRefused) as error:
            yield Trial(wire=wire, refused=str(error))
            continue
        try:
            yield _try(port, wire, form, seconds)
        except PortLost as error:
            yield Trial(wire=wire, refused=str(error))
        finally:
            port.close()


def _try(port: OpenLine, wire: WireSettings, form: Form | None, seconds: float) -> Trial:
    begun = time.monotonic()
    data, bad = bytearray(), 0
    if form is not None and form.frame is not None and form.frame.poll:
        port.write(form.frame.poll)
    while (left := begun + seconds - time.monotonic()) > 0:
        received = port.read(min(left, wire.read_timeout_s))
        data += received.data
        bad += len(received.bad)
    return judge_trial(wire, bytes(data), bad=bad, form=form)


def judge_trial(wire: WireSettings, data: bytes, *, bad: int, form: Form | None) -> Trial:
    """What bytes heard with one choice of settings say about it."""
    trial = Trial(
        wire=wire,
        received=len(data),
        bad=bad,
        readable=sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in data),
    )
    if form is None or not data:
        return trial
    parsed = parse(data, form)
    return replace(trial, frames=len(parsed.readings), damaged=len(parsed.faults))


def _show(
    port: OpenLine, wire: WireSettings, form: Form | None, seconds: float | None
) -> Iterator[str]:
    begun = time.monotonic()
    shown = f"at {wire}" if not wire.port.startswith("socket://") else "as the server is set"
    yield f"listening on {wire.port} {shown}; nothing is stored or acknowledged"
    frame = None if form is None else form.frame
    cutter = None
    if frame is not None:
        cutter = LineCutter(frame, opened_s=begun, unfinished_s=UNFINISHED_S)
    count = {"frame": 0, "damaged": 0, "outside": 0}
    received_bytes = 0
    while seconds is None or time.monotonic() - begun < seconds:
        received = port.read(wire.read_timeout_s)
        now = time.monotonic()
        pieces: list[Piece] = []
        if received.data:
            received_bytes += len(received.data)
            yield from _rows(received, now - begun)
            if cutter is not None:
                pieces = cutter.receive(received, datetime.now(UTC), now)
        elif cutter is not None:
            pieces = cutter.quiet(now)
        for piece in pieces:
            count[piece.kind] += 1
            if form is not None:
                yield from _framed(piece, form)
    for piece in cutter.end() if cutter is not None else ():
        count[piece.kind] += 1
        if form is not None:
            yield from _framed(piece, form)
    total = f"{received_bytes} bytes in {time.monotonic() - begun:.0f} s"
    if cutter is not None:
        total += f": {count['frame']} frames, {count['damaged']} damaged parts, "
        total += f"{count['outside']} parts outside any frame"
    yield total


def _rows(received: Received, at_s: float) -> Iterator[str]:
    for start in range(0, len(received.data), ROW):
        part = received.data[start : start + ROW]
        text = "".join(chr(byte) if 32 <= byte < 127 else "·" for byte in part)
        yield f"{at_s:10.3f} s  {part.hex(' ').upper():<{3 * ROW - 1}}  {text}"
    if received.bad:
        yield f"{'':14}{len(received.bad)} of them with wrong parity or framing"


def _framed(piece: Piece, form: Form) -> Iterator[str]:
    margin = " " * 14
    if piece.kind == "outside":
        yield f"{margin}outside any frame: {len(piece.data)} bytes"
    elif piece.kind == "damaged":
        yield f"{margin}damaged, {len(piece.data)} bytes: {piece.fault}"
    else:
        parsed = parse(piece.data, form)
        for reading in parsed.readings:
            fields = "  ".join(f"{name}={text}" for name, text in reading.fields.items())
            yield f"{margin}frame, {len(piece.data)} bytes: {fields}"
        for fault in parsed.faults:
            yield f"{margin}frame that cannot be read: {fault}"
