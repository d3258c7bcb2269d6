"""What must be true after every event, and what may be asked now and then because it costs more.

The ledger is read by plain SQL and hashed here; the model says what must be found.
"""

import csv
import hashlib
from collections import Counter
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import orjson

from ingestd.audit.compare import disagreements
from ingestd.audit.reenact import reenact
from ingestd.audit.verify import verify_ledger
from ingestd.ledger.captures import content_from, find_captures, get_capture
from ingestd.ledger.journal.merkle import Frontier
from ingestd.pipeline.replay.replay import replay
from tests.simulation.model import Model, sha256
from tests.simulation.site import Site, silent_log

STATES = {"read": "read", "failed": "failed", "stored": "stored", "partly": "partly_read"}


class Broken(AssertionError):
    """An invariant does not hold."""


def must(is_so: bool, *said: object) -> None:  # noqa: FBT001 - reads as a claim
    """Go on only if it is so."""
    if not is_so:
        raise Broken(" ".join(map(str, said)))


class Tree:
    """A Merkle tree after RFC 6962 that only ever takes leaves, written here anew."""

    def __init__(self) -> None:
        self.size = 0
        self._peaks: list[tuple[int, bytes]] = []  # height and hash, highest first

    def add(self, leaf: bytes) -> None:
        height, node = 0, leaf
        while self._peaks and self._peaks[-1][0] == height:
            node = hashlib.sha256(b"\x01" + self._peaks.pop()[1] + node).digest()
            height += 1
        self._peaks.append((height, node))
        self.size += 1

    def root(self) -> bytes:
        if not self._peaks:
            return hashlib.sha256(b"").digest()
        node = self._peaks[-1][1]
        for _, peak in reversed(self._peaks[:-1]):
            node = hashlib.sha256(b"\x01" + peak + node).digest()
        return node


class Watch:
    """Watches one site from event to event."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.tree = Tree()
        self._captures = 0
        self._released: dict[int, int] = {}

    @property
    def _conn(self) -> Any:
        return self.site.ledger.conn

    def check(self) -> None:
        """Everything that is cheap enough to be asked after each event."""
        self._journal()
        self._new_captures()
        self._readings()
        self._results()
        self._decisions()

    def _journal(self) -> None:
        """Entries are only added; nothing a person decides is decided by anyone else."""
        rows = self._conn.execute(
            "SELECT idx, body, leaf FROM journal WHERE idx >= ? ORDER BY idx", (self.tree.size,)
        ).fetchall()
        for index, body, leaf in rows:
            must(index == self.tree.size, "journal entry", self.tree.size, "is missing")
            must(hashlib.sha256(b"\x00" + body).digest() == leaf, "leaf of entry", index)
            self.tree.add(leaf)
        size, nodes = self._conn.execute("SELECT size, nodes FROM frontier").fetchone()
        must(size == self.tree.size, "the journal shrank:", size, "of", self.tree.size)
        root = Frontier.from_bytes(nodes).root() if nodes else Frontier().root()
        must(root == self.tree.root(), "the journal does not continue what it was")

    def _new_captures(self) -> None:
        """Every byte that arrived is stored, once, as it came."""
        model = self.site.model
        (count,) = self._conn.execute("SELECT count(*) FROM captures").fetchone()
        must(count == len(model.captures), count, "captures,", len(model.captures), "arrived")
        for capture in model.captures[self._captures :]:
            size, kept, name, digest = self._conn.execute(
                "SELECT size, length(bytes), name, sha256 FROM captures WHERE id = ?",
                (capture.id,),
            ).fetchone()
            content = content_from(self._conn, get_capture(self._conn, capture.id))
            must(content == capture.data, "bytes of capture", capture.id)
            must(
                (size, kept, name, digest)
                == (len(capture.data), capture.stored, capture.name, sha256(capture.data)),
                f"capture {capture.id}: {size}, {kept}, {name}; must be {len(capture.data)},"
                f" {capture.stored}, {capture.name}",
            )
        self._captures = count
        states = dict(self._conn.execute("SELECT capture, state FROM capture_states").fetchall())
        for capture in model.captures:
            must(
                states[capture.id] == STATES[capture.state],
                f"capture {capture.id} ({capture.name}) is {states[capture.id]},"
                f" must be {capture.state}",
            )

    def _readings(self) -> None:
        """Every reading sent counts once, says what was sent and is where it belongs."""
        found = self._conn.execute(
            "SELECT d.id, d.instrument, d.sample, d.method, d.value, d.censored, d.dilution,"
            " d.measured_at, d.time_note, d.conflict, p.run, p.position, w.reading IS NOT NULL"
            " FROM readings d LEFT JOIN placements p ON p.reading = d.id"
            " LEFT JOIN waiting w ON w.reading = d.id WHERE d.retired = '' ORDER BY d.id"
        ).fetchall()
        model = self.site.model
        must(len(found) == len(model.readings), len(found), "readings,", len(model.readings),
             "were sent")  # fmt: skip
        for row, one in zip(found, model.readings, strict=True):
            sent = one.sent
            value = Decimal(sent.shown) if sent.shown else None
            run, position = one.place or (None, None)
            must(
                (
                    row[0], row[1], row[2], row[3], None if row[4] is None else Decimal(row[4]),
                    row[5], None if row[6] is None else Decimal(row[6]), row[7], row[8],
                    bool(row[9]), row[10], row[11], bool(row[12]),
                )
                == (
                    one.id, sent.instrument, sent.label, sent.method, value, sent.sign,
                    sent.stated, f"{one.at:%Y-%m-%dT%H:%M:%S.%fZ}", one.note, one.conflict, run,
                    position, one.place is None,
                ),
                f"reading {row}, must be {one}",
            )  # fmt: skip

    def _results(self) -> None:
        """Every result says what follows from what was sent; released ones stay in force."""
        model = self.site.model
        rows = self._conn.execute(
            "SELECT r.id, r.run, r.sample, r.state, r.version, r.proposed, v.version, v.verdict,"
            " v.text, j.body, s.text FROM results r JOIN result_versions v ON v.result = r.id"
            " AND v.version = (SELECT max(version) FROM result_versions x WHERE x.result = r.id)"
            " JOIN result_versions s ON s.result = r.id AND s.version = r.version"
            " JOIN journal j ON j.idx = v.entry ORDER BY r.id"
        ).fetchall()
        must(
            {(row[1], row[2]) for row in rows} == set(model.results),
            "results:", {(row[1], row[2]) for row in rows} ^ set(model.results),
        )  # fmt: skip
        for row in rows:
            self._result(model, row)

    def _result(self, model: Model, row: tuple[Any, ...]) -> None:
        ident, run, sample, state, version, proposed, newest, verdict, text, body, stands = row
        standing = model.results[run, sample]
        wanted = standing.newest
        said = orjson.loads(body)
        exact = None if said["unrounded"] is None else Fraction(Decimal(said["unrounded"]))
        must(
            (verdict, text, exact, tuple(said["readings"]))
            == (wanted.verdict, wanted.text, wanted.exact, wanted.readings),
            f"result {ident} of {run} {sample}: {verdict} {text!r} {exact} {said['readings']},"
            f" must be {wanted}; {[f['sentence'] for f in said['findings'][:3]]}",
        )
        if standing.released is not None:
            number, then = standing.released
            must(
                (state, version, stands) == ("released", number, then.text),
                f"released result {ident} is now {state}, version {version}, {stands!r};"
                f" a person released version {number}, {then.text!r}",
            )
            must(proposed == (newest if newest > number else None), "proposal of result", ident)
        elif standing.withdrawn == newest:
            must(state == "withdrawn", f"withdrawn result {ident} is {state}")
        elif standing.withdrawn is not None:
            must(
                (state, proposed) == ("withdrawn", newest), f"withdrawn result {ident} is {state}"
            )
        else:
            must(
                (state, version, proposed) == (verdict, newest, None),
                f"result {ident} is {state} in version {version} of {newest}, judged {verdict}",
            )

    def _decisions(self) -> None:
        """Nothing is released, withdrawn or superseded but what was decided here."""
        found = self._conn.execute(
            "SELECT result, version, standing, replaces FROM outbox ORDER BY entry, version"
        ).fetchall()
        must(
            Counter(found) == Counter(self.site.decisions),
            f"decided: {Counter(found) - Counter(self.site.decisions)} too many,"
            f" {Counter(self.site.decisions) - Counter(found)} missing",
        )

    # --- now and then -------------------------------------------------------------------------

    def check_delivered(self, folder: Path, *, all_of_it: bool) -> None:
        """What lies in the daily files is what was decided, each once."""
        rows: Counter[tuple[int, int, str]] = Counter()
        for path in sorted(folder.glob("results-*.csv")):
            with path.open(encoding="utf-8", newline="") as file:
                for row in csv.DictReader(file):
                    if row["site"] == self.site.name:
                        rows[int(row["result"]), int(row["version"]), row["standing"]] += 1
        decided = Counter(d[:3] for d in self.site.decisions)
        must(not rows - decided, "delivered and never decided:", rows - decided)
        if all_of_it:
            must(rows == decided, "decided and not delivered:", decided - rows)

    def check_replay(self) -> None:
        """Reading all again gives what inputs now say, and doing it twice changes nothing."""
        site = self.site
        model = site.model
        # A settled run is judged by what is in force now only once its captures are read again.
        model.judge(one.place[0] for one in model.readings if one.place is not None)
        for turn in (1, 2):
            captures = find_captures(self._conn)
            size = self.tree.size
            report = replay(
                site.ledger, site.config, captures, reason="tried", by="rita",
                clock=site.clock, log=silent_log(),
            )  # fmt: skip
            must(not report.taken and not report.retired, f"replay {turn}: {report}")
            self.check()
            must(turn == 1 or self.tree.size == size, "a replay of the same changed", report)

    def check_proof(self, *, again: bool) -> None:
        """The journal gives every table anew; `again`: the whole life gives the same anew."""
        report = verify_ledger(self._conn, rebuild=True)
        must(report.holds and report.rebuilt, report.faults)
        if again:
            replica = reenact(self._conn, self.site.config, ":memory:", log=silent_log())
            try:
                found = disagreements(self._conn, replica.conn)
                must(not found, *found[:2])
            finally:
                replica.close()
