"""Where in the journal captures were read, and where the versions that stand were judged."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import orjson

from ingestd.ledger.captures import Capture
from ingestd.ledger.connection import Connection
from ingestd.pipeline.judge import BY_POLICY

Body = dict[str, Any]
Key = tuple[str, str, str, str]  # sample, analyte, fraction, basis

_OF_A_READ = {
    "reading_taken", "readings_seen_again", "readings_conflict", "reading_retired", "replayed",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """Where a capture was read, or a part of it: journal entries from `start` to `end`.

    Attributes:
        is_replay: it was read from its first byte on, in the place of what it had said.
        is_failed: nothing in it could be read.
        is_last: what it came to was not replaced by a later replay of the file.
    """

    start: int
    end: int
    capture: int
    is_replay: bool
    is_failed: bool
    is_last: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Where a run was judged: the first entry of that, and what still stands of it.

    Attributes:
        versions: by sample, analyte, fraction and basis, the entry of the standing version.
    """

    start: int
    run: str
    versions: dict[Key, int] = field(default_factory=dict)


def captures_of_files(conn: Connection, captures: Iterable[Capture]) -> dict[int, int]:
    """Every capture of these files but plans, with its lineage, in order of arrival."""
    files = {(c.lineage, c.source, c.name) for c in captures}
    rows = conn.execute(
        "SELECT id, lineage, source, name FROM captures WHERE kind <> 'plan' ORDER BY id"
    )
    return {
        ident: lineage for ident, lineage, source, name in rows if (lineage, source, name) in files
    }


def find_reads(conn: Connection, captures: dict[int, int]) -> list[Read]:
    """Where these captures were read, in order of the journal.

    Args:
        captures: with their lineages.
    """
    found = []
    replayed: dict[int, int] = {}  # by lineage, where it was replayed last
    closing = conn.execute(
        "SELECT idx, body FROM journal WHERE instr(body, ?) ORDER BY idx",
        (b'"kind":"capture_read"',),
    )
    for end, text in closing:
        body = orjson.loads(text)
        if body["kind"] != "capture_read" or body["capture"] not in captures:
            continue
        if not body["form"] and body["state"] != "failed":
            continue  # noise of a line, or the beginning of a file that had grown on
        start, is_replay = end, False
        while start > 0 and _is_of_read(one := body_of(conn, start - 1), body):
            start -= 1
            is_replay |= one["kind"] == "replayed"
        found.append(
            Read(
                start=start,
                end=end,
                capture=body["capture"],
                is_replay=is_replay,
                is_failed=body["state"] == "failed",
            )
        )
        if is_replay:
            replayed[captures[body["capture"]]] = start
    return [
        replace(stop, is_last=stop.start >= replayed.get(captures[stop.capture], 0))
        for stop in found
    ]


def _is_of_read(one: Body, closing: Body) -> bool:
    return (
        one["kind"] in _OF_A_READ
        and (one["at"], one["by"]) == (closing["at"], closing["by"])
        and one.get("capture", closing["capture"]) == closing["capture"]
    )


def runs_touched(conn: Connection, readings_of: Iterable[int], sheets: set[int]) -> list[str]:
    """Names of runs with readings of these captures on their tubes, or planned by a sheet."""
    names = {
        name for name, sheet in conn.execute("SELECT name, capture FROM runs") if sheet in sheets
    }
    for capture in readings_of:
        names.update(
            name
            for (name,) in conn.execute(
                "SELECT DISTINCT p.run FROM readings r JOIN placements p ON p.reading = r.id"
                " WHERE r.capture = ?",
                (capture,),
            )
        )
    return sorted(names)


def find_judged(conn: Connection, runs: Iterable[str]) -> list[Judged]:
    """Where the standing versions of these runs' results were made."""
    found: dict[tuple[int, str], Judged] = {}
    for run in runs:
        rows = conn.execute(
            "SELECT v.entry, r.id, r.sample, r.analyte, r.fraction, r.basis FROM results r"
            " JOIN result_versions v ON v.result = r.id AND v.version = r.version"
            " WHERE r.run = ? ORDER BY v.entry",
            (run,),
        ).fetchall()
        results = {row[1] for row in rows}
        starts: dict[int, int] = {}  # of entries met before in this run
        for entry, _, *key in rows:
            body = body_of(conn, entry)
            start = entry
            while start > 0 and start not in starts:
                if not _is_of_judging(body_of(conn, start - 1), body, results):
                    break
                start -= 1
            starts[entry] = start = starts.get(start, start)
            stop = found.setdefault((start, run), Judged(start=start, run=run))
            stop.versions[key[0], key[1], key[2], key[3]] = entry
    return list(found.values())


def _is_of_judging(one: Body, judged: Body, results: set[int]) -> bool:
    """Whether an entry was written by the judgement of the run that `judged` is a result of."""
    if (one["at"], one["by"]) != (judged["at"], judged["by"]):
        return False
    match one["kind"]:
        case "pins_kept":
            return True
        case "run_judged" | "result_judged":
            return bool(one["run"] == judged["run"])
        case "decided":  # at once, by policy
            return one["result"] in results and one["reason"].startswith(BY_POLICY)
    return False


def body_of(conn: Connection, index: int) -> Body:
    """A journal entry."""
    (text,) = conn.execute("SELECT body FROM journal WHERE idx = ?", (index,)).fetchone()
    body: Body = orjson.loads(text)
    return body


def bodies_between(conn: Connection, start: int, stop: int | None = None) -> Iterator[Body]:
    """Journal entries from `start` to before `stop`, to the end without one."""
    rows = conn.execute(
        "SELECT body FROM journal WHERE idx >= ? AND idx < coalesce(?, idx + 1) ORDER BY idx",
        (start, stop),
    )
    return (orjson.loads(text) for (text,) in rows)
