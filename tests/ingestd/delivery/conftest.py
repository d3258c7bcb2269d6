"""A central database of its own for each test, and sites at work that deliver to it."""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest
import structlog

from ingestd.config import PostgresTarget, load_config
from ingestd.delivery.central import CentralTarget
from ingestd.delivery.connecting import connect
from ingestd.delivery.entry_rows import COLUMNS
from ingestd.delivery.schema import admit_site, migrate
from ingestd.delivery.targets import Progress, Target
from ingestd.delivery.worker import DeliveryWorker, Waits
from ingestd.ledger.store import Ledger
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person, release, withdraw
from ingestd.pipeline.inputs import observe, take_configured
from tests.conftest import EXPORT_HEAD, PLAN, SHEET_HEAD, Lab, row
from tests.ingestd.delivery.server import OWNER, Line, Server, wait_until

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    running = Server()
    with running.as_owner("postgres") as conn:
        conn.execute("CREATE DATABASE pattern")
    with connect(PostgresTarget(conninfo=running.conninfo("pattern", OWNER), tls="disable")) as it:
        migrate(it)
        it.execute("SELECT ingestd.make_months('{2026-03-01,2026-04-01,2026-05-01}')")
    yield running
    running.remove()


class Centre:
    """One central database; whoever changes it as its owner leaves it to be made anew."""

    def __init__(self, server: Server, database: str) -> None:
        self.server = server
        self.database = database
        self.is_changed = False
        self._asking: psycopg.Connection[tuple[object, ...]] | None = None

    def connect(self) -> "psycopg.Connection[tuple[object, ...]]":
        self.is_changed = True
        return self.server.as_owner(self.database)

    def do(self, statement: str) -> None:
        with self.connect() as conn:
            conn.execute(statement.encode())

    def ask(self, query: str, *values: object) -> list[tuple[object, ...]]:
        if self._asking is None:
            self._asking = self.server.as_owner(self.database)
        try:
            return self._asking.execute(query.encode(), values).fetchall()
        except psycopg.OperationalError:
            if not self._asking.closed:
                raise
            self._asking = None
            return self.ask(query, *values)

    def one(self, query: str, *values: object) -> object:
        return self.ask(query, *values)[0][0]

    def empty(self) -> None:
        """Take every row out; the owner's superuser may set its own triggers aside."""
        with self.server.as_owner(self.database) as conn:
            conn.execute("SET session_replication_role = replica")
            for table in (*COLUMNS, "journal", "checkpoints", "sites", "cursors"):
                conn.execute(f"DELETE FROM ingestd.{table}".encode())  # noqa: S608 - our own names

    def leave(self) -> None:
        if self._asking is not None:
            self._asking.close()
            self._asking = None


_kept: dict[int, Centre] = {}  # by port of its server: one that the next test may use


@pytest.fixture
def centre(server: Server) -> Iterator[Centre]:
    mine = _kept.pop(server.port, None)
    if mine is None:
        mine = Centre(server, f"centre_{next(_numbers)}")
        with server.as_owner("postgres") as conn:
            conn.execute(f"CREATE DATABASE {mine.database} TEMPLATE pattern".encode())
    yield mine
    mine.leave()
    if mine.is_changed:
        with server.as_owner("postgres") as conn:
            conn.execute(f"DROP DATABASE {mine.database} WITH (FORCE)".encode())
    else:
        mine.empty()
        _kept[server.port] = mine


@dataclass
class Site:
    """A laboratory with a ledger of its own, admitted at the centre."""

    lab: Lab
    centre: Centre
    role: str
    workers: list[DeliveryWorker] = field(default_factory=list)
    runs: int = 0

    @property
    def name(self) -> str:
        return self.lab.ledger.site

    def work(self, runs: int = 1, *, sample: str = "W", release_them: bool = True) -> None:
        """Plan, read and release runs of two samples each."""
        for _ in range(runs):
            self.runs += 1
            run, n = f"R{self.runs}", self.runs
            self.lab.load(
                f"{run}.csv",
                SHEET_HEAD + f"{run},COD-HR,2026-03-02 08:15,P1,mara,standard,1,blank,,B{n},,,,,K1"
                ",,2026-03-02 08:25,2026-03-02 10:25,148,clear\n"
                f"{run},,,,,,2,control_standard,,C{n},,,,,K1,CS500,,,,\n"
                f"{run},,,,,,3,sample,{sample}{n}a,,inlet,2026-03-02 06:00,200,1+1,K1,,,,,\n"
                f"{run},,,,,,4,sample,{sample}{n}b,,inlet,2026-03-02 06:00,200,,K1,,,,,\n",
            )  # fmt: skip
            self.lab.arrive(
                EXPORT_HEAD
                + row(4 * n, f"B{n}", "2")
                + row(4 * n + 1, f"C{n}", "498")
                + row(4 * n + 2, f"{sample}{n}a", "640", dilution="2")
                + row(4 * n + 3, f"{sample}{n}b", str(300 + n)),
                name=f"{run}-day.csv",
            )
            if release_them:
                self.release(run)

    def release(self, subject: str, reason: str = "") -> None:
        with self.lab.ledger.change(at=self.lab.clock(), by="rita") as change:
            in_force = self.lab.pipeline.in_force_cache.current(self.lab.ledger.conn)
            release(change, in_force, subject, reason=reason)

    def withdraw(self, subject: str, reason: str) -> None:
        with self.lab.ledger.change(at=self.lab.clock(), by="rita") as change:
            in_force = self.lab.pipeline.in_force_cache.current(self.lab.ledger.conn)
            withdraw(change, in_force, subject, reason=reason)

    def note(self, run: str, position: int, *pairs: str) -> None:
        with self.lab.ledger.change(at=self.lab.clock(), by="mara") as change:
            observe(
                change, run, position, pairs, self.lab.pipeline.in_force_cache, self.lab.config
            )

    def result_of(self, sample: str) -> str:
        return str(self.lab.results()[sample].id)

    def target(self) -> CentralTarget:
        return CentralTarget(
            self.lab.config, apply=lambda job: job(self.lab.ledger), clock=self.lab.clock
        )

    def deliver(self, target: Target | None = None) -> int:
        """Step until nothing is left; returns how many rows were sent."""
        mine = target or self.target()
        rows = 0
        try:
            while (progress := mine.step(self.lab.ledger.conn)) != Progress():
                rows += progress.rows
        finally:
            if target is None:
                mine.close()
        return rows

    def worker(self, target: Target | None = None) -> DeliveryWorker:
        """A courier under way with short waits, with a ledger connection of its own."""
        path = self.lab.config.ledger.path

        def apply(job: Callable[[Ledger], None]) -> None:
            ledger = Ledger.open(path)
            try:
                job(ledger)
            finally:
                ledger.close()

        mine = target or CentralTarget(self.lab.config, apply=apply, clock=lambda: START)
        worker = DeliveryWorker(
            mine,
            ledger=path,
            apply=apply,
            fail=self.failures.append,
            log=structlog.wrap_logger(None, processors=[_drop]),
            clock=lambda: START,
            idle_s=0.02,
            waits=Waits(0.05, 0.2, chance=lambda: 1.0),
        )
        self.workers.append(worker)
        worker.start()
        return worker

    failures: list[BaseException] = field(default_factory=list)

    def is_there(self) -> bool:
        """Whether the centre has every decision of this site."""
        decided = self.lab.one("SELECT coalesce(max(entry), -1) FROM outbox")
        there = self.centre.one(
            "SELECT coalesce(max(entry), -1) FROM ingestd.standings WHERE site = %s", self.name
        )
        return decided == there

    def wait_there(self) -> None:
        wait_until(self.is_there, what=f"{self.name} is at the centre")


START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def _drop(_logger: object, _level: str, _event: object) -> str:
    raise structlog.DropEvent


@pytest.fixture
def make_site(tmp_path: Path, centre: Centre) -> Iterator[Callable[..., Site]]:
    made: list[Site] = []

    def make(
        name: str = "Lab one",
        *,
        line: Line | None = None,
        extra: str = "",
        right: bool = True,
        files: str = "",
    ) -> Site:
        number = next(_numbers)
        role, secret = f"writer_{number}", f"secret {number}"
        folder = tmp_path / f"site{number}"
        for sub in ("exports", "plan", "forms", "out"):
            (folder / sub).mkdir(parents=True)
        (folder / "password").write_text(f"{secret if right else 'not it'}\n")
        port = line.port if line else centre.server.port
        (folder / "ingestd.toml").write_text(
            f'[site]\nname = "{name}"\ntime_zone = "Etc/UTC"\n'
            '[plan]\nfolder = "plan"\nforms = "forms"\n'
            "[delivery.postgres]\n"
            f'conninfo = "{centre.server.conninfo(centre.database, role, port=port)}"\n'
            f'password_file = "password"\ntls = "disable"\n{extra}\n{files}\n'
            '[[source]]\nname = "p1"\npath = "exports"\ninstrument = "P1"\n'
        )
        config = load_config(folder / "ingestd.toml")
        ledger = Ledger.open(config.ledger.path, site=name, at=START)
        lab = Lab(folder, config, ledger, [])
        take_configured(ledger, config, at=START, by="ingestd")
        people = {
            "ada": (PersonRole.ADMIN,),
            "rita": (PersonRole.REVIEWER,),
            "mara": (PersonRole.ANALYST,),
        }
        with ledger.change(at=lab.clock(), by="ada") as change:
            for account, roles in people.items():
                change.flush()
                in_force = lab.pipeline.in_force_cache.current(ledger.conn)
                add_person(change, in_force, Person(account=account, roles=roles), by="ada")
        lab.load("plan.toml", PLAN)
        settings = PostgresTarget(
            conninfo=centre.server.conninfo(centre.database, OWNER), tls="disable"
        )
        with connect(settings) as conn:
            admit_site(conn, name, role, password=secret)
        site = Site(lab, centre, role)
        made.append(site)
        return site

    yield make
    for site in made:
        for worker in site.workers:
            worker.stop()
            worker.join()
        site.lab.ledger.close()


@pytest.fixture
def site(make_site: Callable[..., Site]) -> Site:
    return make_site()


@pytest.fixture
def line(server: Server) -> Iterator[Line]:
    one = Line(server.port)
    yield one
    one.close()
