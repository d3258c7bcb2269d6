"""Journal entries become tables here, and nowhere else.

Every change is first a journal entry; `fold` turns entries into rows. Because the tables are
written by nothing else, folding the whole journal into an empty schema must give the same rows:
that is what `ingestd verify --rebuild` does.
"""

from collections.abc import Callable, Iterable, Sequence
from itertools import groupby
from typing import Any

from ingestd.ledger.connection import Connection
from ingestd.ledger.journal.canonical import canonical_unchecked
from ingestd.ledger.outbox import put_into_outbox
from ingestd.model import SCATTERED
from ingestd.model.labels import label_key

Body = dict[str, Any]
Entry = tuple[int, Body]


def fold(conn: Connection, entries: Iterable[Entry]) -> None:
    """Write the rows that these entries mean, in order.

    Args:
        conn: inside a write transaction.
        entries: (index, body) in journal order.

    Raises:
        KeyError: an entry of a kind this program does not know.
    """
    for kind, group in groupby(entries, key=lambda entry: entry[1]["kind"]):
        _FOLDS[kind](conn, list(group))


def _json(value: Any) -> str:
    return canonical_unchecked({"v": value}).decode()[5:-1]


def _no_table(_conn: Connection, _entries: Sequence[Entry]) -> None:
    """Entries that stand for themselves: the site's name, the reason of a replay."""


def _ledger_made(conn: Connection, entries: Sequence[Entry]) -> None:
    """A ledger that does not say how it keeps identities was made before there were two ways."""
    conn.executemany(
        "UPDATE counters SET value = ? WHERE name = 'identities'",
        [(body.get("identities", SCATTERED),) for _, body in entries],
    )


def _capture_stored(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT INTO capture_states VALUES (?, 'stored', '', '', 0, 0, '{}', 0, 0, '[]', '', ?)",
        [(body["capture"], index) for index, body in entries],
    )


def _capture_read(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "UPDATE capture_states SET state=?, form=?, form_sha256=?, final=?, complete_to=?,"
        " resume=?, readings=?, repeats=?, faults=?, reason=?, entry=? WHERE capture=?",
        [
            (
                body["state"],
                body["form"],
                body["form_sha256"],
                body["final"],
                body["complete_to"],
                _json(body["resume"]),
                body["readings"],
                body["repeats"],
                _json(body["faults"]),
                body["reason"],
                index,
                body["capture"],
            )
            for index, body in entries
        ],
    )


def _input_taken(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT INTO inputs VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (
                body["input"],
                body["name"],
                body["version"],
                body["capture"],
                _json(body["body"]),
                body["sha256"],
                index,
            )
            for index, body in entries
        ],
    )
    conn.execute("UPDATE counters SET value = ? WHERE name = 'inputs'", (entries[-1][0],))


def _run_planned(conn: Connection, entries: Sequence[Entry]) -> None:
    for index, body in entries:
        run = body["body"]
        name = run["name"]
        old = conn.execute("SELECT lot FROM tubes WHERE run = ? AND lot <> ''", (name,)).fetchall()
        _count_lots(conn, (lot for (lot,) in old), -1)
        conn.execute("DELETE FROM tubes WHERE run = ?", (name,))
        conn.execute(
            "INSERT INTO runs VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, 0, ?)"
            " ON CONFLICT (name) DO UPDATE SET version=excluded.version, capture=excluded.capture,"
            " method=excluded.method, day=excluded.day, started_at=excluded.started_at,"
            " instrument=excluded.instrument, analyst=excluded.analyst, body=excluded.body,"
            " sha256=excluded.sha256, complete=0, entry=excluded.entry",
            (
                name,
                body["version"],
                body["capture"],
                run["method"],
                body["day"],
                body["started_at"],
                run["instrument"],
                run["analyst"],
                _json(run),
                body["sha256"],
                index,
            ),
        )
        conn.executemany(
            "INSERT INTO tubes VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    name,
                    tube["position"],
                    tube["role"],
                    tube["sample"],
                    label_key(tube["label"]),
                    tube["lot"],
                    body["started_at"],
                )
                for tube in run["tubes"]
            ],
        )
        _count_lots(conn, (tube["lot"] for tube in run["tubes"] if tube["lot"]), 1)
    conn.execute("UPDATE counters SET value = ? WHERE name = 'runs'", (entries[-1][0],))


def _count_lots(conn: Connection, lots: Iterable[str], step: int) -> None:
    conn.executemany(
        "INSERT INTO lot_use VALUES (?, ?) ON CONFLICT (lot) DO UPDATE"
        " SET determinations = determinations + excluded.determinations",
        [(lot, step) for lot in lots],
    )


def _observed(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT INTO observations VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                body["id"],
                body["run"],
                body["position"],
                body["key"],
                body["value"],
                body["at"],
                body["by"],
                index,
            )
            for index, body in entries
        ],
    )
    closed = [(body["run"],) for _, body in entries if body["key"] == "closed"]
    conn.executemany("UPDATE runs SET closed = 1 WHERE name = ?", closed)


_READING = (
    "id",
    "capture",
    "source",
    "instrument",
    "identity",
    "ordinal",
    "digits",
    "method",
    "sample",
    "raw",
    "value",
    "censored",
    "unit",
    "basis",
    "measured_at",
    "arrived_at",
    "time_note",
    "absorbance",
    "dilution",
    "dilution_applied",
    "conflict",
    "span_start",
    "span_end",
    "form",
)


def _reading_taken(conn: Connection, entries: Sequence[Entry]) -> None:
    rows, placed, waiting = [], [], []
    for index, body in entries:
        row = [body[name] for name in _READING]
        row[4] = bytes.fromhex(row[4])
        row[6] = bytes.fromhex(row[6])
        rows.append((*row, "", index))
        place = body["placed"]
        if place is not None:
            placed.append(
                (row[0], place["run"], place["position"], place["how"], "", body["by"], index)
            )
        else:
            wait = body["waits"]
            waiting.append(
                (row[0], wait["label"], wait["reason"], _json(wait["candidates"]), index)
            )
    marks = ", ".join("?" * (len(_READING) + 2))
    conn.executemany(f"INSERT INTO readings VALUES ({marks})", rows)
    conn.executemany("INSERT INTO placements VALUES (?, ?, ?, ?, ?, ?, ?)", placed)
    conn.executemany("INSERT INTO waiting VALUES (?, ?, ?, ?, ?)", waiting)


def _readings_seen_again(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT OR IGNORE INTO sightings VALUES (?, ?)",
        [(reading, body["capture"]) for _, body in entries for reading in body["readings"]],
    )


def _reading_placed(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT OR REPLACE INTO placements VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (
                body["reading"],
                body["run"],
                body["position"],
                body["how"],
                body["reason"],
                body["by"],
                index,
            )
            for index, body in entries
        ],
    )
    conn.executemany(
        "DELETE FROM waiting WHERE reading = ?", [(body["reading"],) for _, body in entries]
    )


def _reading_waits(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT OR REPLACE INTO waiting VALUES (?, ?, ?, ?, ?)",
        [
            (body["reading"], body["label"], body["reason"], _json(body["candidates"]), index)
            for index, body in entries
        ],
    )
    conn.executemany(
        "DELETE FROM placements WHERE reading = ?", [(body["reading"],) for _, body in entries]
    )


def _reading_retired(conn: Connection, entries: Sequence[Entry]) -> None:
    for _, body in entries:
        reading = body["reading"]
        conn.execute("UPDATE readings SET retired=? WHERE id=?", (body["reason"], reading))
        conn.execute("DELETE FROM placements WHERE reading = ?", (reading,))
        conn.execute("DELETE FROM waiting WHERE reading = ?", (reading,))


def _readings_conflict(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "UPDATE readings SET conflict = 1 WHERE id = ?",
        [(reading,) for _, body in entries for reading in body["readings"]],
    )


def _run_judged(conn: Connection, entries: Sequence[Entry]) -> None:
    for index, body in entries:
        conn.execute(
            "UPDATE runs SET complete = ? WHERE name = ?",
            (body["complete"], body["run"]),
        )
        conn.execute("DELETE FROM control_values WHERE run = ?", (body["run"],))
        conn.executemany(
            "INSERT INTO control_values VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    body["run"],
                    control["position"],
                    control["role"],
                    body["method"],
                    control["level"],
                    control["instrument"],
                    control["lot"],
                    body["day"],
                    control["at"],
                    control["value"],
                    control["nominal"],
                    control["partner"],
                    control["passed"],
                    index,
                )
                for control in body["controls"]
            ],
        )


def _pins_kept(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT INTO pin_sets VALUES (?, ?, ?, ?)",
        [(body["id"], body["sha256"], _json(body["pins"]), index) for index, body in entries],
    )


def _result_judged(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT INTO results VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (id) DO UPDATE SET point=excluded.point, at=excluded.at,"
        " method=excluded.method, state=excluded.state, version=excluded.version,"
        " proposed=excluded.proposed",
        [
            (
                body["result"],
                body["run"],
                body["method"],
                body["sample"],
                body["point"],
                body["analyte"],
                body["fraction"],
                body["basis"],
                body["sampled_at"],
                body["state"],
                body["stands"],
                body["proposed"],
            )
            for _, body in entries
        ],
    )
    conn.executemany(
        "INSERT INTO result_versions VALUES (?, ?, ?, '', ?, ?, ?, ?, ?, ?, ?, ?, ?, '', ?)",
        [
            (
                body["result"],
                body["version"],
                body["verdict"],
                body["text"],
                body["value"],
                body["censored"],
                body["unit"],
                body["uncertainty"],
                body["pins"],
                bytes.fromhex(body["digest"]),
                body["cause"],
                body["at"],
                index,
            )
            for index, body in entries
        ],
    )


def _decided(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "UPDATE result_versions SET standing = 'superseded' WHERE result = ? AND version = ?",
        [
            (body["result"], body["replaces"])
            for _, body in entries
            if body["replaces"] is not None and body["standing"] == "released"
        ],
    )
    conn.executemany(
        "UPDATE result_versions SET standing = ?, reason = ? WHERE result = ? AND version = ?",
        [
            (body["standing"], body["reason"], body["result"], body["version"])
            for _, body in entries
        ],
    )
    conn.executemany(
        "UPDATE results SET state = ?, version = ?, proposed = ? WHERE id = ?",
        [(body["state"], body["stands"], body["proposed"], body["result"]) for _, body in entries],
    )
    put_into_outbox(conn, entries)


def _delivered(conn: Connection, entries: Sequence[Entry]) -> None:
    for index, body in entries:
        target = body["target"]
        conn.execute(
            "INSERT INTO deliveries VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (target) DO UPDATE SET"
            " up_to=excluded.up_to, nodes=excluded.nodes, rows=rows+excluded.rows,"
            " at=excluded.at, entry=excluded.entry",
            (target, body["up_to"], bytes.fromhex(body["nodes"]), body["rows"], body["at"], index),
        )
        conn.executemany(
            "DELETE FROM set_aside WHERE target = ? AND about = ?",
            [(target, about) for about in body["cleared"]],
        )
        conn.executemany(
            "INSERT OR REPLACE INTO set_aside VALUES (?, ?, ?, ?)",
            [(target, one["about"], one["problem"], index) for one in body["set_aside"]],
        )


def _reported_chosen(conn: Connection, entries: Sequence[Entry]) -> None:
    conn.executemany(
        "INSERT OR REPLACE INTO reported VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                body["sample"],
                body["analyte"],
                body["fraction"],
                body["basis"],
                body["result"],
                body["reason"],
                body["by"],
                index,
            )
            for index, body in entries
        ],
    )


def _captures_archived(conn: Connection, entries: Sequence[Entry]) -> None:
    for index, body in entries:
        archive = body["archive"]
        conn.execute(
            "INSERT INTO archives VALUES (?, ?, ?, ?)",
            (archive, body["name"], body["sha256"], index),
        )
        conn.executemany(
            "INSERT INTO archived VALUES (?, ?)",
            [(capture, archive) for capture in body["captures"]],
        )


_FOLDS: dict[str, Callable[[Connection, Sequence[Entry]], None]] = {
    "ledger_made": _ledger_made,
    "replayed": _no_table,
    "ledger_restored": _no_table,
    "captures_archived": _captures_archived,
    "capture_stored": _capture_stored,
    "capture_read": _capture_read,
    "input_taken": _input_taken,
    "run_planned": _run_planned,
    "observed": _observed,
    "reading_taken": _reading_taken,
    "readings_seen_again": _readings_seen_again,
    "reading_placed": _reading_placed,
    "reading_waits": _reading_waits,
    "reading_retired": _reading_retired,
    "readings_conflict": _readings_conflict,
    "run_judged": _run_judged,
    "pins_kept": _pins_kept,
    "result_judged": _result_judged,
    "decided": _decided,
    "delivered": _delivered,
    "reported_chosen": _reported_chosen,
}
