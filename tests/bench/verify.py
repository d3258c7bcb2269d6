"""Verifying a ledger, beside a loop that reads the same entries and hashes leaves and nodes."""

import tempfile
import time
from hashlib import sha256
from pathlib import Path

from ingestd.audit.verify import verify_ledger
from ingestd.ledger.connection import Connection
from tests.bench.bulk_work import arrive, make_folder, open_lab, plan_runs
from tests.bench.figures import Figure

BATCH = 10_000


def measure(*, short: bool) -> list[Figure]:
    """`ingestd verify` over a ledger of full runs."""
    with tempfile.TemporaryDirectory() as name:
        pipeline = open_lab(make_folder(Path(name)))
        arrive(pipeline, plan_runs(pipeline, 100 if short else 1000), 5000)
        conn = pipeline.ledger.conn
        entries = conn.execute("SELECT count(*) FROM journal").fetchone()[0]
        floors, taken = [], []
        for _ in range(3 if short else 7):
            begun = time.perf_counter()
            root = _loop(conn)
            floors.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            report = verify_ledger(conn)
            taken.append(time.perf_counter() - begun)
            if not report.holds or report.root != root.hex():
                raise AssertionError(f"verification and floor disagree: {report.faults}")
        pipeline.ledger.close()
    floor, figure = sorted(floors)[len(floors) // 2], sorted(taken)[len(taken) // 2]
    return [
        Figure(
            name=f"verify of {entries} journal entries and all captures",
            unit="s",
            floor=floor,
            figure=figure,
            target="≤ 2 ×",
            met=figure <= 2 * floor,
            spread=f"{min(taken):.2f} to {max(taken):.2f} over {len(taken)}",
        )
    ]


def _loop(conn: Connection) -> bytes:
    """The root of the journal, hashed level by level as plainly as can be."""
    row = []
    cursor = conn.execute("SELECT body FROM journal ORDER BY idx")
    while bodies := cursor.fetchmany(BATCH):
        row += [sha256(b"\x00" + body).digest() for (body,) in bodies]
    while len(row) > 1:
        above = [
            sha256(b"\x01" + left + right).digest()
            for left, right in zip(row[::2], row[1::2], strict=False)
        ]
        row = above + row[len(row) - len(row) % 2 :]
    return row[0]
