"""A ledger's whole life once more: captures, inputs and people's decisions in the order of its
journal, into an empty ledger, through the same parsing, placing and judging, with today's code.

What a person or an instrument brought in is taken over as it was; what the program made of it is
worked out anew. Every value and finding must come out the same, digit for digit; numbers of
versions and times need not.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

import orjson

from ingestd.config import Config
from ingestd.errors import LedgerMismatch, Refused
from ingestd.ledger.bodies import value_of
from ingestd.ledger.captures import (
    close_capture,
    content_from,
    get_capture,
    store_capture,
)
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import KINDS, take_body
from ingestd.ledger.store import Change, Ledger
from ingestd.model import Person
from ingestd.pipeline.capture_store import NOISE
from ingestd.pipeline.decisions import (
    add_person,
    choose_reported,
    place_in_order,
    place_reading,
    release,
    set_release_policy,
    withdraw,
)
from ingestd.pipeline.forms import take_form
from ingestd.pipeline.inputs import load_capture, note_observations, touched_runs
from ingestd.pipeline.judge import BY_POLICY, judge_runs
from ingestd.pipeline.pipeline import Pipeline
from ingestd.pipeline.replay.replay import replay
from ingestd.times import instant

Body = dict[str, Any]

# What says something about the ledger itself, not about the laboratory.
_PASSED_OVER = {"captures_archived", "ledger_restored", "delivered"}


def reenact(
    old: Connection,
    config: Config,
    target: str,
    *,
    log: Any,
    progress: Callable[[int], None] = lambda _entries: None,
) -> Ledger:
    """A new ledger in which everything of an old one has happened again.

    Args:
        old: the ledger to go by; only read.
        config: its configuration.
        target: path of the new ledger, or ":memory:".
        progress: told after each transaction how many journal entries are done.

    Raises:
        Refused: bytes that are needed were archived or never read.
        LedgerMismatch: the journal holds what nobody can do again.
    """
    first: Body = orjson.loads(
        old.execute("SELECT body FROM journal ORDER BY idx LIMIT 1").fetchone()[0]
    )
    ledger = Ledger.open(target, site=first["site"], at=instant(first["at"]))
    again = _Again(old, ledger, config, log)
    done = 0
    for transaction in _transactions(old):
        again.happen(transaction)
        done += len(transaction)
        progress(done)
    return ledger


def _transactions(conn: Connection) -> Iterator[list[Body]]:
    """Journal entries that were committed together: one instant, one account.

    A capture is committed before it is read, be it in the same instant.
    """

    def together(body: Body) -> tuple[str, str, str]:
        return body["at"], body["by"], body.get("system_user", "")

    rows = conn.execute("SELECT body FROM journal ORDER BY idx")
    for _, group in groupby((orjson.loads(body) for (body,) in rows), key=together):
        bodies = list(group)
        if bodies[0]["kind"] == "capture_stored" and bodies[0]["source"] != "forms":
            stored = 1
            while stored < len(bodies) and _is_stored_with(bodies[:stored], bodies[stored]):
                stored += 1
            yield bodies[:stored]
            bodies = bodies[stored:]
        if bodies:
            yield bodies


def _is_stored_with(stored: list[Body], body: Body) -> bool:
    """Whether an entry belongs to the transaction that stored captures: it stores another, or
    closes one unread: noise of a line, or the unfinished beginning of a file now stored further.
    """
    if body["kind"] == "capture_stored":
        return True
    if body["kind"] != "capture_read":
        return False
    fresh = {one["capture"]: one for one in stored if one["kind"] == "capture_stored"}
    found = fresh.get(body["capture"])
    return found is None or found["capture_kind"] == NOISE


class _Again:
    """Does once more what each transaction did."""

    def __init__(self, old: Connection, ledger: Ledger, config: Config, log: Any) -> None:
        self.old = old
        self.ledger = ledger
        self.config = config
        self.log = log
        self.at = datetime.min.replace(tzinfo=UTC)
        self.pipeline = Pipeline(ledger, config, clock=lambda: self.at, log=log)
        self.in_force_cache = self.pipeline.in_force_cache
        self.captures: dict[int, int] = {}  # old id → new id

    def happen(self, bodies: list[Body]) -> None:
        """Do one transaction again."""
        self.at = instant(bodies[0]["at"])
        kinds = {body["kind"] for body in bodies}
        by_kind = {kind: [b for b in bodies if b["kind"] == kind] for kind in kinds}
        by = bodies[0]["by"]
        if kinds <= {"ledger_made"} | _PASSED_OVER:
            return
        if "capture_stored" in kinds:
            self._store(bodies)
        elif "replayed" in kinds:
            self._replay(by_kind["replayed"][0])
        elif "capture_read" in kinds:
            for body in by_kind["capture_read"]:
                self._read(body)
        elif by == "ingestd" and any(b["input"] == "site" for b in by_kind.get("input_taken", ())):
            with self._change(bodies[0]) as change:
                self._decide(change, bodies, by_kind)
        elif by == "ingestd":
            raise LedgerMismatch(
                "journal", f"the service did what it never does: {sorted(kinds)}", "verify it"
            )
        else:
            with self._change(bodies[0]) as change:
                self._decide(change, bodies, by_kind)

    def _change(self, body: Body) -> Any:
        return self.ledger.change(at=self.at, by=body["by"], system_user=body.get("system_user"))

    # --- captures -----------------------------------------------------------------------------

    def _content(self, ident: int, start: int = 0) -> bytes:
        return content_from(self.old, get_capture(self.old, ident), start)

    def _store(self, bodies: list[Body]) -> None:
        """Captures as they came, and what was closed or, of forms, taken together with them."""
        with self._change(bodies[0]) as change:
            for body in bodies:
                match body["kind"]:
                    case "capture_stored":
                        self._store_one(change, body)
                    case "input_taken" if body["input"] == "form":
                        change.flush()
                        text = body["body"]["text"].encode()
                        ident = self.captures[body["capture"]]
                        take_form(change, body["name"], text, capture=ident)
                    case "input_taken" if body["input"] == "site":
                        self._take_input(change, body)
                    case "capture_read":
                        self._close_as_it_was(change, body)

    def _store_one(self, change: Change, body: Body) -> None:
        before = body["continues"]
        change.flush()
        self.captures[body["capture"]] = store_capture(
            change,
            kind=body["capture_kind"],
            source=body["source"],
            name=body["name"],
            arrived_at=instant(body["arrived_at"]),
            data=None if body["oversize"] else self._content(body["capture"], body["prefix_size"]),
            size=body["size"],
            sha256=body["sha256"],
            continues=None if before is None else get_capture(change.conn, self.captures[before]),
        )

    def _close_as_it_was(self, change: Change, body: Body) -> None:
        common = ("v", "at", "by", "system_user", "kind", "capture")
        told = {key: value for key, value in body.items() if key not in common}
        change.record("capture_read", capture=self.captures[body["capture"]], **told)

    def _read(self, body: Body) -> None:
        """Read a capture again as far as it was read then."""
        ident = self.captures[body["capture"]]
        capture = get_capture(self.ledger.conn, ident)
        if capture.kind == "plan":
            self._load(body, ident)
        elif "set aside" in body["reason"]:
            with self._change(body) as change:
                self._close_as_it_was(change, body)
        elif body["state"] != "stored":  # a slice; read with the last one
            self.pipeline.read(
                ident, final=body["final"] or body["state"] == "failed", by=body["by"]
            )

    def _load(self, body: Body, ident: int, *, replayed: str = "") -> None:
        capture = get_capture(self.ledger.conn, ident)
        try:
            load_capture(
                self.ledger, capture, self._content(body["capture"]), self.in_force_cache,
                self.config, at=self.at, by=body["by"], system_user=body.get("system_user"),
                replayed=replayed,
            )  # fmt: skip
        except (Refused, ValueError) as error:
            with self._change(body) as change:
                close_capture(change, capture, state="failed", final=True, reason=str(error))

    def _replay(self, body: Body) -> None:
        capture = get_capture(self.ledger.conn, self.captures[body["capture"]])
        if capture.kind == "plan":
            self._load(body, capture.id, replayed=body["reason"])
            return
        replay(
            self.ledger,
            self.config,
            [capture],
            reason=body["reason"],
            by=body["by"],
            clock=lambda: self.at,
            log=self.log,
            system_user=body.get("system_user"),
        )

    # --- people -------------------------------------------------------------------------------

    def _decide(self, change: Change, bodies: list[Body], by_kind: dict[str, list[Body]]) -> None:
        """What one person did in one transaction; what followed from it follows again."""
        for body in by_kind.get("input_taken", ()):
            self._take_input(change, body)
        noted = by_kind.get("observed", ())
        for (run, position), group in groupby(noted, key=lambda b: (b["run"], b["position"])):
            pairs = [(body["key"], body["value"]) for body in group]
            note_observations(change, run, position, pairs, self.in_force_cache, self.config)
        placed = [body for body in by_kind.get("reading_placed", ()) if body["reason"]]
        if placed:
            self._place(change, placed)
        for body in by_kind.get("decided", ()):
            if not body["reason"].startswith(BY_POLICY):
                self._release_or_withdraw(change, body)
        for body in by_kind.get("reported_chosen", ()):
            result = self._result(body["result"])
            in_force = self.in_force_cache.current(change.conn)
            choose_reported(change, in_force, result, reason=body["reason"])
        if not {"input_taken", "observed", "reading_placed", "decided", "reported_chosen"} & set(
            by_kind
        ):
            raise LedgerMismatch("journal", f"nobody can do {bodies[0]['kind']} again", "verify")

    def _take_input(self, change: Change, body: Body) -> None:
        in_force = self.in_force_cache.current(change.conn)
        kind, content = body["input"], body["body"]
        if kind == "person":
            person = value_of(Person, orjson.dumps(content).decode())
            add_person(change, in_force, person, by=body["by"])
        elif (kind, body["name"]) == ("policy", "release"):
            set_release_policy(
                change, in_force, mode=content["mode"], by=body["by"], reason=content["reason"]
            )
        else:
            take_body(change, kind, body["name"], content, capture=None, sha256=body["sha256"])
            value = value_of(KINDS[kind], orjson.dumps(content).decode())
            runs = touched_runs(change, [(kind, value)])
            judge_runs(change, runs, self.in_force_cache, self.config.site.policy, cause=kind)
        change.flush()

    def _place(self, change: Change, placed: list[Body]) -> None:
        first = placed[0]
        if first["how"] != "placed by hand":
            place_in_order(
                change, first["run"], self.in_force_cache, self.config, reason=first["reason"]
            )
            return
        for body in placed:
            place_reading(
                change,
                self._reading(body["reading"]),
                body["run"],
                body["position"],
                self.in_force_cache,
                self.config,
                reason=body["reason"],
            )

    def _release_or_withdraw(self, change: Change, body: Body) -> None:
        decide = release if body["standing"] == "released" else withdraw
        in_force = self.in_force_cache.current(change.conn)
        decide(change, in_force, str(self._result(body["result"])), reason=body["reason"])

    def _reading(self, ident: int) -> int:
        """The reading that these bytes of this capture gave this time."""
        capture, start = self.old.execute(
            "SELECT capture, span_start FROM readings WHERE id = ?", (ident,)
        ).fetchone()
        which = "SELECT id FROM readings WHERE capture = ? AND span_start = ? ORDER BY id"
        before = [one for (one,) in self.old.execute(which, (capture, start))]
        now = self.ledger.conn.execute(which, (self.captures[capture], start)).fetchall()
        return int(now[before.index(ident)][0])

    def _result(self, ident: int) -> int:
        key = self.old.execute(
            "SELECT run, sample, analyte, fraction, basis FROM results WHERE id = ?", (ident,)
        ).fetchone()
        row = self.ledger.conn.execute(
            "SELECT id FROM results WHERE run = ? AND sample = ? AND analyte = ? AND fraction = ?"
            " AND basis = ?",
            key,
        ).fetchone()
        if row is None:
            raise LedgerMismatch("replay", f"there is no result this time for {key}", "compare")
        return int(row[0])
