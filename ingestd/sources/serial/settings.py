"""What a serial line is told, what it hands over, and what it tells of itself."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from parsers.forms import Form

Parity = Literal["none", "even", "odd", "mark", "space"]
StopBits = float  # 1, 1.5 or 2
Flow = Literal["none", "xonxoff", "rtscts", "dsrdtr"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WireSettings:
    """How to open a port.

    Attributes:
        port: path of the device, best one under /dev/serial/by-id, which survives a change of
            number; or socket://HOST:PORT (plain TCP) or rfc2217://HOST:PORT of a network serial
            server. A plain TCP server keeps its own speed and parity; those here do nothing.
        baud, bits, parity, stop_bits, flow: as the instrument's manual says.
        exclusive: nobody else may open the device meanwhile.
        read_timeout_s: longest wait for a byte before other duties get their turn.
        write_timeout_s: longest wait for a line that flow control has stopped; at rfc2217://
            there is none.
    """

    port: str
    baud: int = 9600
    bits: Literal[5, 6, 7, 8] = 8
    parity: Parity = "none"
    stop_bits: StopBits = 1
    flow: Flow = "none"
    exclusive: bool = True
    read_timeout_s: float = 0.2
    write_timeout_s: float = 1.0

    @property
    def is_network(self) -> bool:
        """The port is reached over TCP."""
        return "://" in self.port

    def __str__(self) -> str:
        return f"{self.baud} {self.bits}{self.parity[0].upper()}{self.stop_bits}"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSettings(WireSettings):
    """A serial line to listen to for years.

    Attributes:
        name: name of the source.
        form: a form of shape frame.
        quiet_alarm_s: so long without a byte is worth a note; silence is no error on such a
            line, so there is no note where this is None. A network connection is made anew
            then, because a dead peer looks exactly like a quiet one.
        retransmit_window_s: so long after a frame the same bytes may be its repetition. Common
            practice, no source: instruments repeat within a few seconds.
        unfinished_s: so long after its last byte an unfinished frame is given up, where the form
            states no silence of its own.
        backlog_bytes: memory filled while the ledger takes nothing, with what Python needs
            for each frame; then reading stops until there is room.
    """

    name: str
    form: Form
    quiet_alarm_s: float | None = None
    retransmit_window_s: float = 15.0
    unfinished_s: float = 10.0
    backlog_bytes: int = 4 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class LineArrival:
    """Bytes of a line as they came: one frame, or what stood between two frames.

    Every byte received stands in exactly one arrival; arrivals in order are the stream.

    Attributes:
        source: name of the source.
        name: "<opened-at>-<n>", unique: when the port was opened, and counted from there.
        data: the bytes.
        seen_at: when the last of them was received, UTC.
        is_frame: one whole frame that may be read. Where False, nothing in `data` may become a
            reading, not even if a parser could find a frame in it: the line itself reported a
            damaged byte, or the beginning was missed.
        damaged: an instrument meant to say something here, and it cannot be trusted.
        again: may be the repetition of the frame before it, whose acknowledgement is not known
            to have arrived.
        repeats_within_s: set on the first frame since the line began to be listened to, where
            frames are acknowledged: it may repeat the last frame of the line that the ledger
            has, if that came at most so long before.
        fault: what is wrong with it, "" for a frame.
    """

    source: str
    name: str
    data: bytes
    seen_at: datetime
    is_frame: bool
    damaged: bool = False
    again: bool = False
    repeats_within_s: float | None = None
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineStatus:
    """How a serial line is doing; all counts are since the start.

    Attributes:
        state: "ok"; "lost" (comes back by itself once the wire does); "refused" (a person has to
            act, though it is tried again). The line goes on trying in any case.
        detail: what is wrong and what to do, "" if nothing.
        device: what the port's path leads to at present, "" while it is not open.
        is_quiet: nothing heard for `quiet_alarm_s`.
        opened: times that the port was opened.
        frames, damaged: handed over.
        bytes_received: is the sum of the four below.
        bytes_in_frames, bytes_damaged, bytes_outside: handed over.
        bytes_waiting: not yet handed over.
        answers: acknowledgements and refusals sent.
        refusals: of these, refusals.
        again: frames that may be repetitions.
    """

    name: str
    port: str
    state: Literal["ok", "lost", "refused"]
    detail: str
    device: str
    is_quiet: bool
    opened: int
    last_byte_at: datetime | None
    last_frame_at: datetime | None
    frames: int
    damaged: int
    again: int
    bytes_received: int
    bytes_in_frames: int
    bytes_damaged: int
    bytes_outside: int
    bytes_waiting: int
    answers: int
    refusals: int
    is_alive: bool
