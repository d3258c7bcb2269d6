"""An arrival becomes a capture: its bytes are durable before anyone looks inside.

Identity is content. A file whose newest capture has the same content is no arrival; one that
begins with the bytes of an earlier capture is its continuation, and only what is new is stored.
"""

import hashlib
from datetime import timedelta

from ingestd.ledger.captures import (
    Capture,
    close_capture,
    get_capture,
    newest_of_content,
    newest_of_name,
    store_capture,
)
from ingestd.ledger.store import Change
from ingestd.sources.arrivals import Arrival
from ingestd.sources.serial.settings import LineArrival
from ingestd.times import instant

# Kinds of captures from a serial line. A frame that is no repetition is another reading, even if
# it says the same as one before and prints neither number nor time.
FRAME = "frame"
REPEATED_FRAME = "repeated_frame"
FRAMES = (FRAME, REPEATED_FRAME)
NOISE = "line_noise"


def store_arrival(change: Change, arrival: Arrival, *, kind: str) -> tuple[int, bool]:
    """The id of the capture that holds this arrival, and whether it is new.

    Args:
        change: the open transaction; the capture is durable once it commits.
        arrival: what the source saw.
        kind: what the source is for: export, or plan for a plan folder.
    """
    conn = change.conn
    change.flush()
    before = newest_of_name(conn, arrival.source, arrival.name)
    if before is not None and before.sha256 == arrival.sha256 and before.size == arrival.size:
        return before.id, False
    earlier = None
    if arrival.oversize is None:
        earlier = _continued(arrival, before) or newest_of_content(
            conn, arrival.source, arrival.sha256
        )
        if earlier is not None and (earlier.oversize or earlier.archived):
            earlier = None  # its bytes are not here to be continued
    ident = store_capture(
        change,
        kind=kind,
        source=arrival.source,
        name=arrival.name,
        arrived_at=arrival.seen_at,
        data=None if arrival.oversize else arrival.part(earlier.size if earlier else 0),
        size=arrival.size,
        sha256=arrival.sha256,
        continues=earlier,
    )
    conn.execute("INSERT OR REPLACE INTO attempts VALUES (?, 1)", (ident,))
    if before is not None and before is earlier and before.state == "stored":
        close_capture(
            change, before, state="read", reason=f"nothing complete yet; goes on in {ident}"
        )
    return ident, True


def _continued(arrival: Arrival, before: Capture | None) -> Capture | None:
    """The capture whose whole content this arrival begins with, if it is the file's last one."""
    if before is None or before.oversize or before.archived or not 0 < before.size <= arrival.size:
        return None
    if arrival.continues == (before.size, before.sha256):
        return before
    digest = hashlib.sha256(arrival.part(0, before.size)).hexdigest()
    return before if digest == before.sha256 else None


def store_line(change: Change, arrival: LineArrival) -> int:
    """The id of the capture of one frame, or of bytes outside any frame.

    What is no frame is closed at once: nothing in it may become a reading. The same arrival
    handed over again (its name is unique) is stored once. A frame whose acknowledgement was lost
    because the service ended is known again by the last frame that the ledger has of its line.
    """
    change.flush()
    known = newest_of_name(change.conn, arrival.source, arrival.name)
    if known is not None:
        return known.id
    sha256 = hashlib.sha256(arrival.data).hexdigest()
    is_again = arrival.again or _repeats_the_last(change, arrival, sha256)
    ident = store_capture(
        change,
        kind=NOISE if not arrival.is_frame else REPEATED_FRAME if is_again else FRAME,
        source=arrival.source,
        name=arrival.name,
        arrived_at=arrival.seen_at,
        data=arrival.data,
        size=len(arrival.data),
        sha256=sha256,
    )
    if arrival.is_frame:
        change.conn.execute("INSERT OR REPLACE INTO attempts VALUES (?, 1)", (ident,))
        return ident
    change.flush()
    close_capture(
        change,
        get_capture(change.conn, ident),
        state="failed" if arrival.damaged else "read",
        final=True,
        complete_to=0 if arrival.damaged else len(arrival.data),
        reason=arrival.fault or "bytes outside any frame",
    )
    return ident


def _repeats_the_last(change: Change, arrival: LineArrival, sha256: str) -> bool:
    """Whether the first frame of a line since its start says what the last one before it said.

    Noise is collected for some seconds, so the newest captures reach back for long enough.
    """
    if arrival.repeats_within_s is None:
        return False
    last = change.conn.execute(
        "SELECT sha256, arrived_at FROM (SELECT kind, sha256, arrived_at FROM captures"
        " WHERE source = ? ORDER BY id DESC LIMIT 1000) WHERE kind IN (?, ?) LIMIT 1",
        (arrival.source, *FRAMES),
    ).fetchone()
    if last is None or last[0] != sha256:
        return False
    passed = arrival.seen_at - instant(last[1])
    return timedelta(0) <= passed <= timedelta(seconds=arrival.repeats_within_s)
