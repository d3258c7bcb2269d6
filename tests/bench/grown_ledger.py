"""A ledger as it is after years of work, made in minutes.

Nothing is parsed and nothing evaluated: what photometers and rules would have said is drawn from a
seeded generator, and written as journal entries together with the rows that they fold into. That
both belong together is proved on a small one by verification with rebuild; so new entries append
to it as they do to a lived ledger.

Generated: runs of 25 tubes (blank, control standard, 11 samples in two tubes each, one in one) of
eight methods on six instruments; samples of sixty points; a note of the bench for each run; its
export file, readings, placements, control values, pins; its results, most of them released by
policy or reviewer, some refused, withdrawn, and of the last weeks held or accepted; a few readings
that wait and failed exports. Ten million readings are the work of sixteen years.

Not generated, to keep the file small: captures of bench sheets (runs name none), most findings (a
result carries two for each tube), pins but those of run, method, form and capture, second
versions, deliveries. Indexes are made at the end, so they are fuller than grown ones.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from hashlib import blake2b, sha256
from typing import Any

from ingestd import __version__
from ingestd.config import Config
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce, InForceCache
from ingestd.ledger.journal.merkle import Frontier, Node, leaf_hash
from ingestd.ledger.store import Ledger
from ingestd.pipeline.identify import NEIGHBOURS_BYTES
from ingestd.pipeline.pipeline import Pipeline
from ingestd.sources.arrivals import Arrival
from tests.bench.bulk_work import silent_log
from tests.bench.grown_plan import (
    FORM,
    INSTRUMENTS,
    POINTS,
    PROCEDURES,
    begin_ledger,
    lot_of,
    nominal,
)
from tests.conftest import EXPORT_HEAD

TUBES = 25
SAMPLES = 12  # of a run
RUN_EVERY = timedelta(minutes=21)
RUNS_AT_ONCE = 400  # in one transaction
RECENT_RUNS = 400  # of which some results still wait for a person
HOW = "The only tube."


def grow(
    config: Config,
    *,
    readings: int,
    until: datetime,
    tell: Callable[[str], None] = lambda _said: None,
) -> Ledger:
    """A ledger with so many readings (whole runs), the last of them shortly before `until`.

    Args:
        config: of an empty folder, as `make_place` lays it out.
        until: a whole minute.
        tell: hears how far it has come.

    Returns:
        The ledger, open.
    """
    runs = readings // TUBES
    begun = first_instant(readings, until)
    first = begun + timedelta(days=1)
    ledger = begin_ledger(config, first=begun, last=until)
    conn = ledger.conn
    size, nodes = conn.execute("SELECT size, nodes FROM frontier").fetchone()
    drawn = _Drawn(InForceCache().current(conn), size)
    frontier = Frontier.from_bytes(nodes)
    with _Hurry(conn, tell):
        for start in range(0, runs, RUNS_AT_ONCE):
            for number in range(start, min(start + RUNS_AT_ONCE, runs)):
                is_recent = number >= runs - RECENT_RUNS
                drawn.add_run(number, first + number * RUN_EVERY, is_recent=is_recent)
            frontier = _write(conn, drawn, frontier)
            if start % (50 * RUNS_AT_ONCE) == 0:
                tell(f"{start * TUBES} of {runs * TUBES} readings")
        _write_counts(conn, drawn)
    ledger.close()
    ledger = Ledger.open(config.ledger.path)
    _leave_waiting(ledger, config, until)
    return ledger


def first_instant(readings: int, until: datetime) -> datetime:
    """When a ledger of so many readings was begun."""
    return until - (readings // TUBES + 2) * RUN_EVERY - timedelta(days=1)


class _Hurry:
    """The ledger without what makes filling it slow, which comes back at the end.

    Journal and syncing are for a file that must outlive a power cut; indexes are made at the end
    by sorting; triggers forbid what is not done here.
    """

    def __init__(self, conn: Connection, tell: Callable[[str], None]) -> None:
        self._conn = conn
        self._tell = tell
        self._put_off: list[tuple[str, str]] = []
        self._statistics: list[tuple[Any, ...]] = []

    def __enter__(self) -> None:
        conn = self._conn
        for setting in (
            "journal_mode = OFF",
            "synchronous = OFF",
            "foreign_keys = OFF",
            "cache_size = -500000",
        ):
            conn.execute(f"PRAGMA {setting}")
        self._statistics = conn.execute("SELECT tbl, idx, stat FROM sqlite_stat1").fetchall()
        found = conn.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE type IN ('index', 'trigger')"
            " AND sql IS NOT NULL"
        ).fetchall()
        for kind, name, sql in found:
            conn.execute(f"DROP {kind} {name}")
            self._put_off.append((name, sql))

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is not None:
            return
        conn = self._conn
        conn.execute("PRAGMA temp_store = FILE")
        conn.execute("PRAGMA threads = 2")
        for name, sql in self._put_off:
            self._tell(name)
            conn.execute(sql)
        conn.execute("DELETE FROM sqlite_stat1")
        conn.executemany("INSERT INTO sqlite_stat1 VALUES (?, ?, ?)", self._statistics)
        conn.execute("PRAGMA journal_mode = WAL")


Rows = list[tuple[Any, ...]]


@dataclass
class _Batch:
    """Rows to be written, by table; `journal` holds bodies in order."""

    journal: list[bytes] = field(default_factory=list)
    tables: dict[str, Rows] = field(default_factory=dict)

    def __getitem__(self, table: str) -> Rows:
        return self.tables.setdefault(table, [])


def _write(conn: Connection, drawn: "_Drawn", frontier: Frontier) -> Frontier:
    batch = drawn.take()
    leaves = [leaf_hash(body) for body in batch.journal]
    first = frontier.size
    completed: list[Node] = []
    frontier = frontier.extend(leaves, completed)
    conn.execute("BEGIN IMMEDIATE")
    conn.executemany(
        "INSERT INTO journal VALUES (?, ?, ?)",
        zip(range(first, frontier.size), batch.journal, leaves, strict=True),
    )
    for table, rows in batch.tables.items():
        marks = ", ".join("?" * len(rows[0]))
        conn.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608 - our names
    conn.executemany("INSERT INTO journal_nodes VALUES (?, ?, ?)", completed)
    conn.execute("UPDATE frontier SET size = ?, nodes = ?", (frontier.size, frontier.to_bytes()))
    conn.execute("COMMIT")
    return frontier


def _write_counts(conn: Connection, drawn: "_Drawn") -> None:
    conn.execute("UPDATE counters SET value = ? WHERE name = 'inputs'", (drawn.last_input,))
    conn.execute("UPDATE counters SET value = ? WHERE name = 'runs'", (drawn.last_run,))
    conn.executemany("INSERT INTO lot_use VALUES (?, ?)", drawn.lots.items())


@lru_cache(maxsize=64)
def _neighbours(instrument: str, thousand: int) -> bytes:
    """What a thousand readings of an instrument share in their identities, as in `reading`."""
    return blake2b(f"{instrument} {thousand}".encode(), digest_size=NEIGHBOURS_BYTES).digest()


class _Drawn:
    """Draws runs and keeps their entries and rows until they are written.

    Args:
        book: the plan in force.
        size: of the journal.
    """

    def __init__(self, in_force: InForce, size: int) -> None:
        self._random = random.Random(7)  # the same ledger on every run
        self._hashes = in_force.hashes
        self._form_sha256 = in_force.hashes["form", FORM]
        self._batch = _Batch()
        self._next = size
        self._reading = 0
        self._capture = 10**3  # beyond those of the plan
        self._result = 0
        self.last_input = 0
        self.last_run = 0
        self.lots: dict[str, int] = {}

    def take(self) -> _Batch:
        """What was drawn since the last time."""
        batch, self._batch = self._batch, _Batch()
        return batch

    def _record(self, body: str) -> int:
        index = self._next
        self._next = index + 1
        self._batch.journal.append(body.encode())
        return index

    def add_run(self, number: int, started: datetime, *, is_recent: bool) -> None:
        """One run, from its plan to what was decided on its results."""
        run = _Run(number, started, self._random)
        self._plan(run)
        self._store(run)
        self._read(run)
        self._judge_controls(run)
        self._judge(run, is_recent=is_recent)

    def _plan(self, run: "_Run") -> None:
        sampled = f"{run.started - timedelta(hours=2):%Y-%m-%dT%H:%M:%SZ}"
        for which, code in enumerate(run.samples):
            body = (
                f'{{"chloride_mg_l":null,"code":"{code}","determine":[],"interferents":{{}},'
                f'"matrix":"","point":"{run.point(which)}","preservation":"",'
                f'"preserved_at":null,"sampled_at":"{sampled}"}}'
            )
            digest = sha256(body.encode()).hexdigest()
            self.last_input = self._record(
                f'{{"at":"{run.at}","body":{body},"by":"mara","capture":null,"input":"sample",'
                f'"kind":"input_taken","name":"{code}","sha256":"{digest}","v":1,"version":1}}'
            )
            self._batch["inputs"].append(("sample", code, 1, None, body, digest, self.last_input))
        tubes = ",".join(
            f'{{"dilution":{{"factor":"1","steps":[],"text":"1"}},"expected":null,'
            f'"label":"{label}","lot":"{run.lot}","position":{position},"repeats":"",'
            f'"role":"{role}","sample":"{sample}","spike_added":null,'
            f'"standard":"{run.standard if position == 2 else ""}"}}'
            for position, role, sample, label in run.tubes
        )
        body = (
            f'{{"analyst":"mara","instrument":"{run.instrument}","method":"{run.method.name}",'
            f'"name":"{run.name}","order":"by_name","prepared_at":null,"program":"",'
            f'"started_at":"{run.started:%Y-%m-%dT%H:%M:%SZ}","tubes":[{tubes}]}}'
        )
        self.last_run = self._record(
            f'{{"at":"{run.at}","body":{body},"by":"mara","capture":null,"day":"{run.day}",'
            f'"kind":"run_planned","sha256":"{run.sha256}","started_at":"{run.at}","v":1,'
            f'"version":1}}'
        )
        self._batch["runs"].append(
            (
                run.name, 1, None, run.method.name, run.day, run.at, run.instrument, "mara",
                body, run.sha256, 1, 0, self.last_run,
            )
        )  # fmt: skip
        self._batch["tubes"].extend(
            (run.name, position, role, sample, label.casefold(), run.lot, run.at)
            for position, role, sample, label in run.tubes
        )
        self.lots[run.lot] = self.lots.get(run.lot, 0) + TUBES
        entry = self._record(
            f'{{"at":"{run.at}","by":"mara","id":{run.number + 1},"key":"note",'
            f'"kind":"observed","position":null,"run":"{run.name}","v":1,"value":"as usual"}}'
        )
        self._batch["observations"].append(
            (run.number + 1, run.name, None, "note", "as usual", run.at, "mara", entry)
        )

    def _store(self, run: "_Run") -> None:
        self._capture += 1
        data = run.export.encode()
        run.capture = self._capture
        run.capture_sha256 = sha256(data).hexdigest()
        name = f"{run.name}.csv"
        self._record(
            f'{{"arrived_at":"{run.arrived}","at":"{run.arrived}","by":"ingestd",'
            f'"capture":{run.capture},"capture_kind":"export","continues":null,'
            f'"kind":"capture_stored","name":"{name}","oversize":false,"prefix_size":0,'
            f'"sha256":"{run.capture_sha256}","size":{len(data)},"source":"{run.source}","v":1}}'
        )
        self._batch["captures"].append(
            (
                run.capture, "export", run.source, name, run.arrived, len(data),
                run.capture_sha256, None, 0, run.capture, data,
            )
        )  # fmt: skip

    def _read(self, run: "_Run") -> None:
        readings, placements = self._batch["readings"], self._batch["placements"]
        chance = self._random.randbytes(32 * TUBES)
        method, instrument, source, arrived = (
            run.method.name, run.instrument, run.source, run.arrived,
        )  # fmt: skip
        run.first_reading = self._reading + 1
        for position, _role, _sample, label in run.tubes:
            ident = self._reading = self._reading + 1
            at = 32 * (position - 1)
            identity = _neighbours(instrument, ident // 1000) + chance[at : at + 10]
            digits = chance[at + 16 : at + 32]
            value, (start, end) = run.values[position - 1], run.spans[position - 1]
            measured = run.measured[position - 1]
            entry = self._record(
                f'{{"absorbance":null,"arrived_at":"{arrived}","at":"{arrived}","basis":null,'
                f'"by":"ingestd","capture":{run.capture},"censored":"","conflict":false,'
                f'"digits":"{digits.hex()}","dilution":null,"dilution_applied":false,'
                f'"form":"{FORM}","id":{ident},"identity":"{identity.hex()}",'
                f'"instrument":"{instrument}","kind":"reading_taken","measured_at":"{measured}",'
                f'"method":"{method}","ordinal":0,"placed":{{"how":"{HOW}",'
                f'"position":{position},"run":"{run.name}"}},"raw":"{value}","sample":"{label}",'
                f'"source":"{source}","span_end":{end},"span_start":{start},"time_note":"",'
                f'"unit":"mg/L","v":1,"value":"{value}","waits":null}}'
            )
            readings.append(
                (
                    ident, run.capture, source, instrument, identity, 0, digits, method, label,
                    value, value, "", "mg/L", None, measured, arrived, "", None, None, 0, 0,
                    start, end, FORM, "", entry,
                )
            )  # fmt: skip
            placements.append((ident, run.name, position, HOW, "", "ingestd", entry))
        size = len(run.export)
        resume = f'{{"line":{TUBES + 1},"offset":{size},"state":{{}}}}'
        entry = self._record(
            f'{{"at":"{arrived}","by":"ingestd","capture":{run.capture},"complete_to":{size},'
            f'"faults":[],"final":true,"form":"{FORM}","form_sha256":"{self._form_sha256}",'
            f'"kind":"capture_read","readings":{TUBES},"reason":"","repeats":0,'
            f'"resume":{resume},"state":"read","v":1}}'
        )
        self._batch["capture_states"].append(
            (
                run.capture, "read", FORM, self._form_sha256, 1, size, resume, TUBES, 0, "[]",
                "", entry,
            )
        )  # fmt: skip

    def _judge_controls(self, run: "_Run") -> None:
        said = []
        for position, role, level, known in (
            (1, "blank", "", None),
            (2, "control_standard", run.standard, str(nominal(run.method))),
        ):
            quoted = "null" if known is None else f'"{known}"'
            at, value = run.measured[position - 1], run.values[position - 1]
            said.append(
                f'{{"at":"{at}","instrument":"{run.instrument}","level":"{level}",'
                f'"lot":"{run.lot}","nominal":{quoted},"partner":null,"passed":true,'
                f'"position":{position},"role":"{role}","value":"{value}"}}'
            )
            self._batch["control_values"].append(
                (
                    run.name, position, role, run.method.name, level, run.instrument, run.lot,
                    run.day, at, value, known, None, 1, self._next,
                )
            )  # fmt: skip
        self._record(
            f'{{"at":"{run.arrived}","by":"ingestd","complete":true,"controls":[{",".join(said)}],'
            f'"day":"{run.day}","kind":"run_judged","method":"{run.method.name}",'
            f'"run":"{run.name}","v":1}}'
        )
        pins = (
            f'{{"capture {run.capture}":"{run.capture_sha256}","form {FORM}":'
            f'"{self._form_sha256}","ingestd":"{__version__}","method {run.method.name}":'
            f'"{self._hashes["method", run.method.name]}","run {run.name}":"{run.sha256}"}}'
        )
        digest = sha256(pins.encode()).hexdigest()
        entry = self._record(
            f'{{"at":"{run.arrived}","by":"ingestd","id":{run.number + 1},"kind":"pins_kept",'
            f'"pins":{pins},"sha256":"{digest}","v":1}}'
        )
        self._batch["pin_sets"].append((run.number + 1, digest, pins, entry))

    def _judge(self, run: "_Run", *, is_recent: bool) -> None:
        sampled = f"{run.started - timedelta(hours=2):%Y-%m-%dT%H:%M:%S.000000Z}"
        chance = self._random.randbytes(16 * SAMPLES)
        one = run.method
        for which, code in enumerate(run.samples):
            ident = self._result = self._result + 1
            state = self._state(is_recent=is_recent)
            is_let_go = state in ("released", "withdrawn")
            verdict = "accepted" if is_let_go else state
            digest = chance[16 * which : 16 * which + 16]
            places = [p for p in (3 + 2 * which, 4 + 2 * which) if p <= TUBES]
            values = [run.values[place - 1] for place in places]
            text = str(sum(map(int, values)) // len(values))
            point = run.point(which)
            ids = ",".join(str(run.first_reading + place - 1) for place in places)
            entry = self._record(
                f'{{"analyte":"{one.analyte}","at":"{run.arrived}","basis":"{one.basis}",'
                f'"by":"ingestd","cause":"new readings","censored":"","digest":"{digest.hex()}",'
                f'"findings":[{_findings(run, places, verdict)}],"fraction":"total",'
                f'"kind":"result_judged","method":"{one.name}","pins":{run.number + 1},'
                f'"point":"{point}","proposed":null,"readings":[{ids}],"repeats":"",'
                f'"result":{ident},"run":"{run.name}","sample":"{code}",'
                f'"sampled_at":"{sampled}","stands":1,"state":"{verdict}",'
                f'"steps":["Mean of {" and ".join(values)} mg/L."],"text":"{text}",'
                f'"tubes":[{",".join(map(str, places))}],"uncertainty":null,"unit":"mg/L",'
                f'"unrounded":"{text}","v":1,"value":"{text}","verdict":"{verdict}","version":1}}'
            )
            standing, reason = "", ""
            if is_let_go:
                standing, reason = "released", "in order"
                by = "ingestd" if self._random.random() < 0.9 else "rita"
                self._decide(run, ident, standing, reason, by)
            if state == "withdrawn":
                standing, reason = state, "bottle was mixed up"
                self._decide(run, ident, standing, reason, "rita")
            self._batch["results"].append(
                (
                    ident, run.name, one.name, code, point, one.analyte, "total", one.basis,
                    sampled, state, 1, None,
                )
            )  # fmt: skip
            self._batch["result_versions"].append(
                (
                    ident, 1, verdict, standing, text, text, "", "mg/L", None, run.number + 1,
                    digest, "new readings", run.arrived, reason, entry,
                )
            )  # fmt: skip

    def _state(self, *, is_recent: bool) -> str:
        drawn = self._random.random()
        if is_recent and drawn < 0.1:
            return "held" if drawn < 0.03 else "accepted"
        return "refused" if drawn > 0.99 else "withdrawn" if drawn > 0.985 else "released"

    def _decide(self, run: "_Run", result: int, standing: str, reason: str, by: str) -> None:
        entry = self._record(
            f'{{"at":"{run.arrived}","by":"{by}","kind":"decided","proposed":null,'
            f'"reason":"{reason}","replaces":null,"result":{result},"standing":"{standing}",'
            f'"stands":1,"state":"{standing}","v":1,"version":1}}'
        )
        self._batch["outbox"].append((entry, result, 1, standing, None, None, run.arrived))


def _findings(run: "_Run", places: list[int], verdict: str) -> str:
    weight = {"held": "hold", "refused": "refuse"}.get(verdict, "pass")
    limit = f"{run.method.low} to {run.method.high} mg/L"
    return ",".join(
        f'{{"limit":"{limit}","observed":"","position":{place},"rule":"{rule}",'
        f'"sentence":"Tube {place}: {found}.","verdict":"{found}","version":1}}'
        for place in places
        for rule, found in (("dilution_once", "pass"), ("measuring_range", weight))
    )


class _Run:
    """What is drawn of one run; times are the texts that the ledger keeps."""

    def __init__(self, number: int, started: datetime, chance: random.Random) -> None:
        self.number = number
        self.started = started
        self.name = f"R{number:07}"
        self.sha256 = sha256(self.name.encode()).hexdigest()
        self.method = PROCEDURES[number % len(PROCEDURES)]
        self.instrument = f"P{number % INSTRUMENTS + 1}"
        self.source = self.instrument.lower()
        self.day = f"{started:%Y-%m-%d}"
        self.at = f"{started:%Y-%m-%dT%H:%M:%S.000000Z}"
        self.arrived = f"{started + timedelta(minutes=39):%Y-%m-%dT%H:%M:%S.000000Z}"
        self.lot = lot_of(self.method.name, started.date())
        self.standard = f"CS-{self.method.name}"
        self.samples = [f"W{number * SAMPLES + which:08}" for which in range(SAMPLES)]
        self.tubes = list(self._tubes())
        minutes = [f"{started + timedelta(minutes=30 + m):%Y-%m-%d %H:%M}" for m in range(9)]
        read_at = [
            f"{minutes[position // 3]}:{position % 3 * 20:02}" for position in range(1, TUBES + 1)
        ]
        self.measured = [f"{text[:10]}T{text[11:]}.000000Z" for text in read_at]
        middle = nominal(self.method)
        self.values = [
            "0",
            str(round(middle * chance.uniform(0.96, 1.04))),
            *map(str, chance.choices(range(self.method.low, self.method.high + 1), k=TUBES - 2)),
        ]
        rows = [
            f"{number * TUBES + position},{read_at[position - 1]},{label},{self.method.name},,,"
            f"{self.values[position - 1]},mg/L,\n"
            for position, _role, _sample, label in self.tubes
        ]
        self.spans = []
        end = len(EXPORT_HEAD)
        for row in rows:
            self.spans.append((end, end + len(row) - 1))
            end += len(row)
        self.export = EXPORT_HEAD + "".join(rows)
        self.capture = self.first_reading = 0  # numbered when they are stored
        self.capture_sha256 = ""

    def _tubes(self) -> Iterator[tuple[int, str, str, str]]:
        """Position, role, sample, label."""
        yield 1, "blank", "", f"B{self.number}"
        yield 2, "control_standard", "", f"C{self.number}"
        for position in range(3, TUBES + 1):
            sample = self.samples[(position - 3) // 2]
            yield position, "sample", sample, sample

    def point(self, which: int) -> str:
        """The sampling point of one of its samples."""
        return f"point {(self.number * 7 + which * 5) % POINTS + 1:02}"


def _leave_waiting(ledger: Ledger, config: Config, until: datetime) -> None:
    """Through the pipeline: readings of strangers, which wait, and a file that is no export."""
    pipeline = Pipeline(ledger, config, clock=lambda: until, log=silent_log())
    rows = [
        f"{900_000_000 + n},{until - timedelta(hours=1):%Y-%m-%d %H:%M:%S},stranger {n},COD-HR,,,"
        "333,mg/L,\n"
        for n in range(30)
    ]
    for name, text in (
        ("strangers.csv", EXPORT_HEAD + "".join(rows)),
        *((f"notes {n}.csv", f"Nothing to be read, {n}.\n") for n in range(12)),
    ):
        data = text.encode()
        pipeline.arrive(
            Arrival(
                source="p1", name=name, pieces=(data,), size=len(data),
                sha256=sha256(data).hexdigest(), final=True, seen_at=until,
            )
        )  # fmt: skip
