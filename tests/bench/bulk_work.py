"""Made-up work for benchmarks: sheets and exports of any size, and a ledger to put them in."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import structlog

from ingestd.config import Config, load_config
from ingestd.ledger.store import Ledger, content_sha256
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person
from ingestd.pipeline.inputs import load_file, take_configured
from ingestd.pipeline.pipeline import Pipeline
from ingestd.sources.arrivals import Arrival
from tests.conftest import EXPORT_HEAD, PLAN, SHEET_HEAD
from tests.plant import plant_values

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
NOW = datetime(2026, 12, 1, tzinfo=UTC)
TUBES = 25


# COD of a real plant that lies in the method's range also at half its strength, mg/L
# (UCI Machine Learning Repository, see tests/data/plant_cod.csv).
_PLANT = [value.cod for value in plant_values() if 200 <= value.cod <= 1500]


def silent_log() -> object:
    """A logger that drops every event."""

    def drop(*_: object) -> object:
        raise structlog.DropEvent

    return structlog.wrap_logger(None, processors=[drop])


def make_folder(folder: Path, *, settle_s: float = 2.0) -> Config:
    """A configuration with one watched folder and a plan folder."""
    for name in ("exports", "plan"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "ingestd.toml").write_text(
        '[site]\nname = "Bench"\ntime_zone = "Etc/UTC"\n[plan]\nopen_days = 366\n'
        f'[[source]]\nname = "p1"\npath = "exports"\ninstrument = "P1"\nsettle_s = {settle_s}\n'
    )
    return load_config(folder / "ingestd.toml")


def open_lab(config: Config) -> Pipeline:
    """An empty ledger with the plan loaded."""
    ledger = Ledger.open(config.ledger.path, site="Bench", at=NOW)
    take_configured(ledger, config, at=NOW, by="ingestd")
    pipeline = Pipeline(ledger, config, clock=lambda: NOW, log=silent_log())
    with ledger.change(at=NOW, by="ada") as change:
        in_force = pipeline.in_force_cache.current(ledger.conn)
        person = Person(account="ada", roles=(PersonRole.ADMIN,))
        add_person(change, in_force, person, by="ada")
    load(pipeline, "plan.toml", PLAN)
    load(pipeline, "bare.toml", BARE_METHOD)
    return pipeline


# A method that asks for no control: each reading alone makes a result.
BARE_METHOD = """
[[method]]
name = "BARE"
analyte = "ammonium"
basis = "N"
range_low = 1
range_high = 1500
rounding = [{ to = 1 }]

[[kit_lot]]
lot = "B1"
method = "BARE"
expires = 2027-01-01
"""


def load(pipeline: Pipeline, name: str, text: str) -> None:
    """Put a plan into force."""
    load_file(
        pipeline.ledger,
        name,
        text.encode(),
        pipeline.in_force_cache,
        pipeline.config,
        at=NOW,
        by="ada",
    )


def full_run(number: int) -> tuple[str, list[str]]:
    """The bench sheet of a COD run of 25 tubes, without its header, and its export rows."""
    started = START + timedelta(minutes=10 * number)

    def minute(minutes: int) -> str:
        return f"{started + timedelta(minutes=minutes):%Y-%m-%d %H:%M}"

    sheet, rows = [], []
    for position in range(1, TUBES + 1):
        role = {1: "blank", 2: "control_standard"}.get(position, "sample")
        sample = f"S{number}-{position}" if role == "sample" else ""
        label = "" if sample else f"{role[0].upper()}{number}"
        factor = 2 if position % 3 == 0 and sample else 1
        first = f"COD-HR,{minute(0)},P1,mara,standard" if position == 1 else ",,,,"
        last = f"{minute(5)},{minute(125)},148,clear" if position == 1 else ",,,"
        where = f"inlet,{minute(-60)},200" if sample else ",,"
        sheet.append(
            f"R{number},{first},{position},{role},{sample},{label},{where},"
            f"{'1+1' if factor == 2 else ''},K1,{'CS500' if position == 2 else ''},{last}\n"
        )
        cod = _PLANT[(number * TUBES + position) % len(_PLANT)]
        value = {1: "2", 2: "498"}.get(position, str(cod / factor))
        at = started + timedelta(minutes=140, seconds=position)
        rows.append(
            f"{number * TUBES + position},{at:%Y-%m-%d %H:%M:%S},{sample or label},COD-HR,"
            f"{factor if factor > 1 else ''},,{value},mg/L,K1\n"
        )
    return "".join(sheet), rows


def bare_runs(first: int, count: int) -> tuple[str, list[str]]:
    """Sheets of runs of one tube each that need no control, and one export row for each."""
    sheet = [SHEET_HEAD]
    rows = []
    for number in range(first, first + count):
        started = START + timedelta(seconds=number)
        sheet.append(
            f"Q{number},BARE,{started:%Y-%m-%d %H:%M:%S},P1,mara,,1,sample,T{number},,inlet,,,,"
            "B1,,,,,\n"
        )
        at = started + timedelta(minutes=5)
        rows.append(
            f"{9_000_000 + number},{at:%Y-%m-%d %H:%M:%S},T{number},BARE,,,"
            f"{20 + number % 900},mg/L,B1\n"
        )
    return "".join(sheet), rows


def export(rows: list[str]) -> bytes:
    """An export file of these rows in the form `point_table`."""
    return (EXPORT_HEAD + "".join(rows)).encode()


def plan_runs(pipeline: Pipeline, runs: int) -> list[str]:
    """Plan so many full runs; returns the export rows of all their tubes."""
    rows: list[str] = []
    for first in range(0, runs, 40):
        sheet = SHEET_HEAD
        for number in range(first, min(first + 40, runs)):
            part, lines = full_run(number)
            sheet += part
            rows += lines
        load(pipeline, f"sheet{first}.csv", sheet)
    return rows


def arrive(pipeline: Pipeline, rows: list[str], rows_a_file: int) -> None:
    """Let export files of these rows arrive, each read to its end."""
    for at in range(0, len(rows), rows_a_file):
        data = export(rows[at : at + rows_a_file])
        pipeline.arrive(
            Arrival(
                source="p1",
                name=f"{at}.csv",
                pieces=(data,),
                size=len(data),
                sha256=content_sha256(data),
                final=True,
                seen_at=NOW,
            )
        )
