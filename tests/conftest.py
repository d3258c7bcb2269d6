"""A small laboratory with a real ledger in a temporary folder, for tests of the shell."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import structlog
from hypothesis import HealthCheck, settings

from ingestd.config import Config, load_config
from ingestd.ledger import work
from ingestd.ledger.results import ResultRow, find_results
from ingestd.ledger.store import Ledger, content_sha256
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person
from ingestd.pipeline.inputs import Loaded, load_file, take_configured
from ingestd.pipeline.pipeline import Pipeline
from ingestd.sources.arrivals import Arrival

# How long an example takes says nothing on a machine that does other work beside the tests.
settings.register_profile(
    "steady", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("steady")

PLAN = """
[[instrument]]
name = "P1"
serial = "0042"
time_zone = "Etc/UTC"
verification_due = 2026-12-31

[[method]]
name = "COD-HR"
printed_names = ["COD high"]
analyte = "COD"
basis = "O2"
range_low = 100
range_high = 1500
turbidity_check = true
cooling_min = 10
programs = [{ name = "standard", temperature_c = 148, minutes = 120 }]
interferents = [{ name = "chloride", tolerance = 1000 }]
rounding = [{ below = 1000, to = 1 }, { to = 10 }]
needs = [{ role = "blank" }, { role = "control_standard" }]

[[kit_lot]]
lot = "K1"
method = "COD-HR"
expires = 2027-01-01

[[kit_lot]]
lot = "OLD"
method = "COD-HR"
expires = 2026-02-01

[[control_standard]]
lot = "CS500"
analyte = "COD"
basis = "O2"
value = 500
expanded_uncertainty = 10
expires = 2027-01-01

[[sampling_point]]
code = "inlet"
matrix = "waste water"
"""

SHEET_HEAD = (
    "run,method,started,instrument,analyst,program,position,role,sample,label,point,sampled_at,"
    "chloride,dilution,lot,standard,digestion_start,digestion_end,block_temperature,turbidity\n"
)
SHEET = (
    SHEET_HEAD
    + """\
R1,COD-HR,2026-03-02 08:15,P1,mara,standard,1,blank,,B1,,,,,K1,,\
2026-03-02 08:25,2026-03-02 10:25,148,clear
R1,,,,,,2,control_standard,,C1,,,,,K1,CS500,,,,
R1,,,,,,3,sample,W-1,,inlet,2026-03-02 06:00,200,1+1,K1,,,,,
R1,,,,,,4,sample,W-2,,inlet,2026-03-02 06:00,200,,K1,,,,,
"""
)
EXPORT_HEAD = (
    "Serial number of reading,Read at,Bottle,Procedure,Diluted,Extinction,Outcome,Stated in,"
    "Kit batch\n"
)


def row(number: int, sample: str, value: str, *, minute: int = 50, dilution: str = "") -> str:
    """One row of an export in the shipped form `point_table`."""
    return f"{number},2026-03-02 10:{minute}:00,{sample},COD-HR,{dilution},,{value},mg/L,K1\n"


GOOD_ROWS = (
    row(1, "B1", "2"),
    row(2, "C1", "498"),
    row(3, "W-1", "640", dilution="2"),
    row(4, "W-2", "333"),
)
GOOD_EXPORT = EXPORT_HEAD + "".join(GOOD_ROWS)


@dataclass
class Lab:
    """A laboratory at work: clock, ledger, pipeline, and short ways to feed and ask them."""

    folder: Path
    config: Config
    ledger: Ledger
    events: list[dict[str, object]]
    now: datetime = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
    pipeline: Pipeline = field(init=False)

    def __post_init__(self) -> None:
        log = structlog.wrap_logger(None, processors=[self._note])
        self.pipeline = Pipeline(self.ledger, self.config, clock=self.clock, log=log)

    def _note(self, _logger: object, _level: str, event: dict[str, object]) -> object:
        self.events.append(dict(event))
        raise structlog.DropEvent

    def clock(self) -> datetime:
        self.now += timedelta(milliseconds=1)
        return self.now

    def load(self, name: str, text: str | bytes, *, by: str = "mara") -> Loaded:
        data = text.encode() if isinstance(text, str) else text
        return load_file(
            self.ledger,
            name,
            data,
            self.pipeline.in_force_cache,
            self.config,
            at=self.clock(),
            by=by,
        )

    def arrive(
        self, text: str | bytes, *, name: str = "day.csv", final: bool = True, source: str = "p1"
    ) -> bool:
        data = text.encode() if isinstance(text, str) else text
        return self.pipeline.arrive(
            Arrival(
                source=source,
                name=name,
                pieces=(data,),
                size=len(data),
                sha256=content_sha256(data),
                final=final,
                seen_at=self.clock(),
            )
        )

    def results(self) -> dict[str, ResultRow]:
        return {result.sample: result for result in find_results(self.ledger.conn)}

    def states(self) -> dict[str, tuple[str, str]]:
        return {sample: (r.state, r.text) for sample, r in self.results().items()}

    def waiting(self) -> dict[str | None, str]:
        return {w.reading.sample: w.reason for w in work.waiting_readings(self.ledger.conn)}

    def one(self, query: str, *values: object) -> object:
        row = self.ledger.conn.execute(query, values).fetchone()
        return None if row is None else row[0]


@pytest.fixture
def make_lab(tmp_path: Path) -> Iterator[Callable[..., Lab]]:
    opened: list[Lab] = []

    def make(*, name: str = "lab", extra: str = "", plan: str | None = PLAN) -> Lab:
        folder = tmp_path / name
        (folder / "exports").mkdir(parents=True, exist_ok=True)
        (folder / "plan").mkdir(exist_ok=True)
        (folder / "forms").mkdir(exist_ok=True)
        (folder / "ingestd.toml").write_text(
            '[site]\nname = "Test works"\ntime_zone = "Etc/UTC"\n'
            '[plan]\nfolder = "plan"\nforms = "forms"\n'
            f'{extra}\n[[source]]\nname = "p1"\npath = "exports"\ninstrument = "P1"\n'
        )
        config = load_config(folder / "ingestd.toml")
        start = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
        ledger = Ledger.open(config.ledger.path, site=config.site.name, at=start)
        lab = Lab(folder, config, ledger, [])
        opened.append(lab)
        take_configured(ledger, config, at=start, by="ingestd")
        people = {
            "ada": (PersonRole.ADMIN,),
            "rita": (PersonRole.REVIEWER,),
            "mara": (PersonRole.ANALYST,),
        }
        for account, roles in people.items():
            with ledger.change(at=lab.clock(), by="ada") as change:
                in_force = lab.pipeline.in_force_cache.current(ledger.conn)
                add_person(change, in_force, Person(account=account, roles=roles), by="ada")
        if plan is not None:
            lab.load("plan.toml", plan)
        return lab

    yield make
    for lab in opened:
        lab.ledger.close()


@pytest.fixture
def lab(make_lab: Callable[..., Lab]) -> Lab:
    return make_lab()
