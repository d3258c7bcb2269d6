"""What an operator may be told of. Keys name a matter for good; samples are never named."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from ingestd.ledger.captures import UNFINISHED
from ingestd.ledger.connection import Connection
from ingestd.service.status import Standing

Kind = Literal["operation", "capture", "reading", "result", "lot"]
HEADINGS: dict[Kind, str] = {
    "operation": "For whoever looks after the service",
    "capture": "Arrivals that could not be read",
    "reading": "Readings that wait for a tube",
    "result": "Results that wait for a decision",
    "lot": "Kit lots that expire soon",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """One thing that needs a hand.

    Attributes:
        key: the same for the same matter, whatever is said of it.
        text: one printable sentence.
    """

    key: str
    kind: Kind
    text: str


def find_matters(
    conn: Connection, now: Standing, own: Sequence[tuple[str, str]], *, held_results: bool
) -> list[Matter]:
    """Everything that needs a hand at this moment, in the order of HEADINGS.

    Args:
        now: of the same ledger.
        own: key and sentence of what the running service knows of itself.
        held_results: results that are held or proposed, too.
    """
    found = [*_operation(now, own), *_captures(conn), *_readings(conn)]
    if held_results:
        found += _results(conn)
    found += [
        Matter(key=f"lot:{lot}", kind="lot", text=f"lot {lot} expires soon")
        for lot in now.lots_expiring
    ]
    return [Matter(key=one.key, kind=one.kind, text=printable(one.text)) for one in found]


def printable(text: str) -> str:
    """One line with every sign that a terminal or a mail could take for a command made visible."""
    line = " ".join(text.split())
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in line)


def _operation(now: Standing, own: Iterable[tuple[str, str]]) -> Iterator[Matter]:
    for key, text in own:
        yield Matter(key=key, kind="operation", text=text)
    for name, state, detail in now.sources:
        if state not in ("ok", "stopped"):
            words = f"source {name} is {state}" + (f": {detail}" if detail else "")
            yield Matter(key=f"source:{name}", kind="operation", text=words)
    for one in now.deliveries:
        if one.state == "refused":
            text = f"{one.target} refuses deliveries: {one.problem}"
            yield Matter(key=f"refused:{one.target}", kind="operation", text=text)
        if one.set_aside:
            text = f"{one.target}: {one.set_aside} entries are set aside"
            yield Matter(key=f"set_aside:{one.target}", kind="operation", text=text)
        if one.target in now.late:
            text = f"{one.target}: results wait for delivery since {one.oldest} UTC"
            yield Matter(key=f"late:{one.target}", kind="operation", text=text)
    if now.disk_free_mib < now.disk_low_mib:
        text = f"only {now.disk_free_mib} MiB are free on the ledger's disk"
        yield Matter(key="disk", kind="operation", text=text)


def _captures(conn: Connection) -> Iterator[Matter]:
    for ident, source, name in conn.execute(
        "SELECT c.id, c.source, c.name"  # noqa: S608 - fixed texts
        " FROM capture_states s JOIN captures c ON c.id = s.capture"
        f" WHERE s.state = 'failed' AND s.{UNFINISHED} ORDER BY c.id"
    ):
        text = (
            f"capture {ident}, {name} of {source}: `ingestd captures --capture {ident}` says why"
        )
        yield Matter(key=f"capture:{ident}", kind="capture", text=text)


def _readings(conn: Connection) -> Iterator[Matter]:
    for ident, instrument in conn.execute(
        "SELECT w.reading, r.instrument FROM waiting w JOIN readings r ON r.id = w.reading"
        " ORDER BY w.reading"
    ):
        text = f"reading {ident} of {instrument}: `ingestd readings --waiting` says why"
        yield Matter(key=f"reading:{ident}", kind="reading", text=text)


def _results(conn: Connection) -> Iterator[Matter]:
    for ident, run in conn.execute("SELECT id, run FROM results WHERE state = 'held' ORDER BY id"):
        text = f"result {ident} of run {run} is held: `ingestd explain {ident}`"
        yield Matter(key=f"held:{ident}", kind="result", text=text)
    for ident, run, version in conn.execute(
        "SELECT id, run, proposed FROM results WHERE proposed IS NOT NULL ORDER BY id"
    ):
        text = (
            f"result {ident} of run {run}: version {version} is proposed beside the released one"
        )
        yield Matter(key=f"proposed:{ident}:{version}", kind="result", text=text)
