"""What comes in at a site, and how far it became durable when the power or the disk failed.

Each arrival goes to the real pipeline; the model is told exactly as far as the step says at which
the program was ended, or the ledger after a full disk.
"""

from collections.abc import Callable

from ingestd.errors import StoreFull
from ingestd.pipeline.inputs import PLAN_SOURCE, load_file
from ingestd.sources.arrivals import Arrival
from ingestd.sources.serial.settings import LineArrival
from tests.simulation.model import Capture, sha256
from tests.simulation.printing import Printed
from tests.simulation.site import PowerCut, Site

STORED = ("capture_committed", "slice_judged", "slice_committed", "capture_failed")
READ = ("slice_committed", "capture_failed", "plan_committed")


def deliver(
    site: Site,
    arrival: Arrival,
    printed: Printed | None,
    then: Callable[[], None] | None = None,
) -> bool:
    """A folder hands an arrival over; True if nothing of it is left unfinished.

    Args:
        printed: what stands in it.
        then: what a plan does to the model once it took effect.
    """
    told = (arrival.source, arrival.name, arrival.data, arrival.seen_at, printed)
    overtaken = _overtaken_by(site, arrival)
    try:
        done = site.pipeline.arrive(arrival)
    except PowerCut:
        step = site.cut_step
        if step != "capture_written":
            capture = site.model.store(*told)
            if step != "capture_committed":
                _read_until(site, step, overtaken, capture, arrival.final, then)
        raise
    except StoreFull:
        if _has(site, arrival):
            site.model.store(*told)
        if overtaken is not None and _state_of(site, overtaken.id) != "stored":
            site.model.read(overtaken, final=True)
        raise
    capture = site.model.store(*told)
    if overtaken is not None:
        site.model.read(overtaken, final=True)
    expected = _was_read(site, capture, arrival.final, then)
    assert done == expected, f"{arrival.name}: done is {done}, must be {expected}"
    return done


def _overtaken_by(site: Site, arrival: Arrival) -> Capture | None:
    """A version still unread that this one takes the place of: it is read to its end first."""
    before = site.model.newest(arrival.source, arrival.name)
    if before is None or before.state != "stored" or before.source == PLAN_SOURCE:
        return None
    return None if arrival.data.startswith(before.data) else before


def _read_until(
    site: Site,
    step: str,
    overtaken: Capture | None,
    capture: Capture,
    final: bool,  # noqa: FBT001 - as the arrival says it
    then: Callable[[], None] | None,
) -> None:
    """The captures are read one after the other until the step is passed."""
    for one, is_final in ((overtaken, True), (capture, final)):
        if one is None:
            continue
        if step in _passes(site, one, is_final, then):
            if step in READ:
                _was_read(site, one, is_final, then)
            return
        _was_read(site, one, is_final, then)


def _passes(
    site: Site,
    capture: Capture,
    final: bool,  # noqa: FBT001 - as above
    then: Callable[[], None] | None,
) -> tuple[str, ...]:
    """The steps that reading a capture passes, the one that ends it last."""
    if capture.state in ("read", "failed"):
        return ()
    if capture.source == PLAN_SOURCE:
        return ("plan_committed" if then else "capture_failed",) if final else ()
    if site.model.can_read(capture):
        return ("slice_judged", "slice_committed")
    return ("capture_failed",) if final else ()


def _was_read(site: Site, capture: Capture, final: bool, then: Callable[[], None] | None) -> bool:  # noqa: FBT001 - as the arrival says it
    if capture.source != PLAN_SOURCE:
        return site.model.read(capture, final=final)
    if capture.state in ("read", "failed"):
        return True
    if final:
        capture.state = "read" if then is not None else "failed"
        if then is not None:
            then()
    return final


def deliver_frame(site: Site, arrival: LineArrival, printed: Printed) -> bool:
    """A line hands over a frame, or what stood between frames; True if it was understood."""
    told = (arrival.source, arrival.name, arrival.data, arrival.seen_at, printed)
    try:
        done = site.pipeline.arrive_line(arrival)
    except PowerCut:
        step = site.cut_step
        if step in STORED:
            capture = site.model.store(*told)
            if not arrival.is_frame:
                capture.state = "failed" if arrival.damaged else "read"
            elif step in READ:
                site.model.read(capture, final=True)
        raise
    except StoreFull:
        if _has(site, arrival):
            site.model.store(*told)
        raise
    capture = site.model.store(*told)
    if arrival.is_frame:
        site.model.read(capture, final=True)
    else:
        capture.state = "failed" if arrival.damaged else "read"
    return done


def load(site: Site, name: str, data: bytes, *, then: Callable[[], None]) -> None:
    """A person loads a plan by command."""
    at = site.clock()
    try:
        load_file(
            site.ledger, name, data, site.pipeline.in_force_cache, site.config, at=at, by="ada"
        )
    except StoreFull:
        if _has_file(site, PLAN_SOURCE, name, data):
            site.model.store(PLAN_SOURCE, name, data, at, None)
        raise
    site.model.store(PLAN_SOURCE, name, data, at, None).state = "read"
    then()


def _state_of(site: Site, capture: int) -> str:
    row = site.ledger.conn.execute(
        "SELECT state FROM capture_states WHERE capture = ?", (capture,)
    ).fetchone()
    return str(row[0])


def _has(site: Site, arrival: Arrival | LineArrival) -> bool:
    return _has_file(site, arrival.source, arrival.name, arrival.data)


def _has_file(site: Site, source: str, name: str, data: bytes) -> bool:
    row = site.ledger.conn.execute(
        "SELECT sha256 FROM captures WHERE source = ? AND name = ? ORDER BY id DESC LIMIT 1",
        (source, name),
    ).fetchone()
    return row is not None and row[0] == sha256(data)
