"""Rows a second from a ledger to a central PostgreSQL, and what an outage costs the laboratory.

Beside it: a bare COPY of the very same rows, ready made, into plain tables without index,
partition or check, one commit a batch, on the same server.
"""

import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from psycopg import sql

from ingestd.config import Config, PostgresTarget, load_config
from ingestd.delivery.batches import next_batch
from ingestd.delivery.central import CentralTarget
from ingestd.delivery.connecting import Connection, connect
from ingestd.delivery.entry_rows import COLUMNS, JOURNAL, Row
from ingestd.delivery.schema import admit_site, migrate
from ingestd.delivery.worker import DeliveryWorker
from ingestd.ledger.journal.merkle import Frontier
from ingestd.ledger.store import Ledger, content_sha256
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person, set_release_policy
from ingestd.pipeline.pipeline import Pipeline
from ingestd.sources.arrivals import Arrival
from tests.bench.bulk_work import (
    NOW,
    bare_runs,
    export,
    full_run,
    load,
    make_folder,
    open_lab,
    silent_log,
)
from tests.bench.figures import Figure, quantile
from tests.conftest import SHEET_HEAD
from tests.ingestd.delivery.server import OWNER, Line, Server

ROWS_A_FILE = 5000
BATCH = 5_000


def measure(*, short: bool) -> list[Figure]:
    """Delivery of a whole backlog, and arrivals while the centre answers nothing."""
    server = Server()
    try:
        with tempfile.TemporaryDirectory() as name:
            return [
                *_backlog(server, Path(name) / "backlog", runs=200 if short else 2200),
                _outage(server, Path(name) / "outage", arrivals=60 if short else 300),
            ]
    finally:
        server.remove()


def _backlog(server: Server, folder: Path, *, runs: int) -> list[Figure]:
    config = _with_centre(server, make_folder(folder), folder, server.port)
    pipeline = open_lab(config)
    _fill(pipeline, runs)
    ledger = pipeline.ledger
    rows, bare_s = _bare_copy(server, config, ledger)
    target = CentralTarget(config, apply=lambda job: job(ledger), clock=lambda: NOW)
    sent, memory = 0, [0.0]
    begun = time.perf_counter()
    while (progress := target.step(ledger.conn)).entries:
        sent += progress.rows
        memory.append(_resident_mib())
    taken_s = time.perf_counter() - begun
    target.close()
    if sent < rows:
        raise AssertionError(f"{sent} rows were delivered, {rows} were to be")
    _check_counts(server, ledger)
    ledger.close()
    early = max(memory[: max(len(memory) // 10, 3)])
    return [
        Figure(
            name="delivery",
            unit="rows/s",
            floor=rows / bare_s,
            figure=sent / taken_s,
            target=">= 20,000 rows/s",
            met=sent / taken_s >= 20_000,
            spread=f"{sent} rows of {len(memory) - 1} batches in {taken_s:.1f} s",
        ),
        Figure(
            name="delivery, memory grown while a backlog drains",
            unit="MiB",
            floor=None,
            figure=max(memory) - early,
            target="<= 20 MiB",
            met=max(memory) - early <= 20,
            spread=f"from {early:.0f} MiB after the first batches, {sent} rows",
        ),
    ]


def _with_centre(server: Server, config: Config, folder: Path, port: int) -> Config:
    """A database for this benchmark with the schema, and a configuration that delivers to it."""
    database = folder.name
    with server.as_owner("postgres") as conn:
        conn.execute(f"CREATE DATABASE {database}".encode())
    owner = PostgresTarget(conninfo=server.conninfo(database, OWNER), tls="disable")
    with connect(owner) as conn:
        migrate(conn)
        admit_site(conn, config.site.name, f"{database}_writer", password="bench")  # noqa: S106 - of this server only
    (folder / "password").write_text("bench\n")
    path = folder / "ingestd.toml"
    conninfo = server.conninfo(database, f"{database}_writer", port=port)
    with path.open("a") as file:
        file.write(
            f'\n[delivery.postgres]\nconninfo = "{conninfo}"\npassword_file = "password"\n'
            f'tls = "disable"\nbatch = {BATCH}\n'
        )
    return load_config(path)


def _fill(pipeline: Pipeline, runs: int) -> None:
    """Complete runs of 25 tubes, read and released by a signed policy."""
    ledger = pipeline.ledger
    rita = Person(account="rita", roles=(PersonRole.REVIEWER,))
    with ledger.change(at=NOW, by="ada") as change:
        add_person(change, pipeline.in_force_cache.current(ledger.conn), rita, by="ada")
    with ledger.change(at=NOW, by="rita") as change:
        in_force = pipeline.in_force_cache.current(ledger.conn)
        set_release_policy(change, in_force, mode="automatic", by="rita", reason="benchmark")
    lines: list[str] = []
    for first in range(0, runs, 40):
        sheet = SHEET_HEAD
        for number in range(first, min(first + 40, runs)):
            part, more = full_run(number)
            sheet += part
            lines += more
        load(pipeline, f"sheet{first}.csv", sheet)
    for at in range(0, len(lines), ROWS_A_FILE):
        _arrive(pipeline, f"{at}.csv", export(lines[at : at + ROWS_A_FILE]))


def _arrive(pipeline: Pipeline, name: str, data: bytes) -> None:
    pipeline.arrive(
        Arrival(
            source="p1",
            name=name,
            pieces=(data,),
            size=len(data),
            sha256=content_sha256(data),
            final=True,
            seen_at=NOW,
        )
    )


def _bare_copy(server: Server, config: Config, ledger: Ledger) -> tuple[int, float]:
    """How many rows there are to deliver, and seconds that a bare COPY of them takes.

    Making the rows is not counted, only bringing them there.
    """
    tables = {"journal": JOURNAL, **COLUMNS}
    count, taken_s = 0, 0.0
    with connect(
        PostgresTarget(conninfo=server.conninfo("backlog", OWNER), tls="disable")
    ) as conn:
        conn.execute("CREATE SCHEMA bare")
        for table in tables:
            name = sql.Identifier(table)
            conn.execute(
                sql.SQL("CREATE TABLE bare.{} AS SELECT * FROM ingestd.{} WITH NO DATA").format(
                    name, name
                )
            )
        at = Frontier()
        while True:
            batch = next_batch(
                ledger.conn, config.site.name, at, most=BATCH, checkpoints=Path("none"), sent=0
            )
            if batch.after == at:
                break
            at = batch.after
            rows = {"journal": batch.journal}
            rows |= {table: [row for _, row in some] for table, some in batch.rows.items()}
            begun = time.perf_counter()
            with conn.transaction():
                for table, some in rows.items():
                    _copy(conn, table, tables[table], some)
            taken_s += time.perf_counter() - begun
            count += sum(map(len, rows.values()))
        conn.execute("DROP SCHEMA bare CASCADE")
    return count, taken_s


def _copy(conn: Connection, table: str, columns: tuple[str, ...], rows: list[Row]) -> None:
    names = sql.SQL(", ").join(map(sql.Identifier, ("site", "month", *columns)))
    is_journal = table == "journal"
    query = sql.SQL("COPY bare.{} ({}) FROM STDIN{}").format(
        sql.Identifier(table), names, sql.SQL(" (FORMAT BINARY)" if is_journal else "")
    )
    with conn.cursor() as cursor, cursor.copy(query) as copy:
        if is_journal:
            copy.set_types(("text", "date", "int8", "timestamptz", "text", "bytea"))
        for row in rows:
            copy.write_row(row)


def _check_counts(server: Server, ledger: Ledger) -> None:
    with server.as_owner("backlog") as conn:
        for there, here in (
            ("readings", "readings"),
            ("standings", "outbox"),
            ("results", "result_versions WHERE standing <> ''"),
        ):
            counted = f"SELECT count(*) FROM {here}"  # noqa: S608 - the texts above
            counting = f"SELECT count(*) FROM ingestd.{there}"  # noqa: S608 - the same
            counts = [
                conn.execute(counting.encode()).fetchone(),
                ledger.conn.execute(counted).fetchone(),
            ]
            if counts[0] != counts[1]:
                raise AssertionError(f"{there}: {counts[0]} at the centre, {counts[1]} here")


def _resident_mib() -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise AssertionError("the system does not say how much memory is in use")


def _outage(server: Server, folder: Path, *, arrivals: int) -> Figure:
    """Arrivals with a courier whose centre answers nothing, against the same without courier."""
    line = Line(server.port)
    cut_off = _lab(_with_centre(server, make_folder(folder), folder, line.port), arrivals)
    alone = _lab(make_folder(folder.with_name("alone")), arrivals)
    turn = threading.Lock()  # as in the service: one writer, asked in turn

    def apply(job: Callable[[Ledger], None]) -> None:
        with turn:
            job(cut_off[0].ledger)

    failures: list[BaseException] = []
    worker = DeliveryWorker(
        CentralTarget(cut_off[0].config, apply=apply, clock=lambda: NOW),
        ledger=cut_off[0].config.ledger.path,
        apply=apply,
        fail=failures.append,
        log=silent_log(),
        clock=lambda: NOW,
        idle_s=0.05,
    )
    worker.start()
    while not worker.status().delivered:
        time.sleep(0.01)
    line.is_frozen = True
    taken: dict[str, list[float]] = {"cut off": [], "alone": []}
    for number in range(arrivals):
        for name, (pipeline, exports) in (("cut off", cut_off), ("alone", alone)):
            begun = time.perf_counter()
            with turn:
                _arrive(pipeline, f"{number}.csv", exports[number])
            taken[name].append((time.perf_counter() - begun) * 1000)
    worker.stop()
    worker.join(0.1)
    line.close()
    for pipeline, _ in (cut_off, alone):
        if pipeline.ledger.conn.execute("SELECT count(*) FROM results").fetchone()[0] != arrivals:
            raise AssertionError("not every arrival became a result")
        pipeline.ledger.close()
    if failures:
        raise failures[0]
    floor, figure = (quantile(taken[name], 0.5) for name in ("alone", "cut off"))
    return Figure(
        name="arrival to result while the centre answers nothing, p50",
        unit="ms",
        floor=floor,
        figure=figure,
        target="<= 1.1 × without delivery",
        met=figure <= 1.1 * floor,
        spread=f"p99 {quantile(taken['cut off'], 0.99):.1f} ms,"
        f" without delivery {quantile(taken['alone'], 0.99):.1f} ms",
    )


def _lab(config: Config, arrivals: int) -> tuple[Pipeline, list[bytes]]:
    pipeline = open_lab(config)
    sheet, rows = bare_runs(0, arrivals)
    load(pipeline, "bare.csv", sheet)
    return pipeline, [export([row]) for row in rows]
