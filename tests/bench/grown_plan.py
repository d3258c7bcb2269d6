"""The laboratory of a generated ledger: its configuration, people and plan over many years."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from ingestd.config import Config, load_config
from ingestd.ledger.inputs import InForceCache
from ingestd.ledger.store import Ledger
from ingestd.model import Person, PersonRole
from ingestd.pipeline.decisions import add_person, set_release_policy
from ingestd.pipeline.inputs import load_file, take_configured

POINTS = 60
INSTRUMENTS = 6
SITE = "Bench"
FORM = "point_table"  # what all instruments write
# A service reads its whole ledger when it starts, unless told not to.
UNCHECKED = '[ledger]\nintegrity_check = "none"\n'
LOT_DAYS = 60  # a lot of each method is used so long


@dataclass(frozen=True, slots=True)
class Procedure:
    """A made-up method: its range is where its values are drawn from."""

    name: str
    analyte: str
    basis: str
    low: int
    high: int
    per: str


PROCEDURES = (
    Procedure("COD-HR", "COD", "O2", 100, 1500, "run"),
    Procedure("COD-LR", "COD", "O2", 15, 150, "run"),
    Procedure("AMM", "ammonium", "N", 2, 47, "run"),
    Procedure("NIT", "nitrate", "N", 1, 60, "day"),
    Procedure("PHO", "orthophosphate", "P", 1, 20, "run"),
    Procedure("TNB", "total nitrogen", "N", 5, 220, "kit_lot"),
    Procedure("TPH", "total phosphorus", "P", 1, 30, "run"),
    Procedure("BO5", "BOD5", "O2", 4, 900, "run"),
)
# A method that asks for no control: each reading alone makes a result.
BARE = """
[[method]]
name = "BARE"
analyte = "chlorine"
basis = ""
range_low = 1
range_high = 1500
rounding = [{ to = 1 }]
"""


def make_place(folder: Path, *, extra: str = "") -> Config:
    """A configuration with a folder for each instrument."""
    sources = ""
    for number in range(1, INSTRUMENTS + 1):
        (folder / f"exports{number}").mkdir(parents=True, exist_ok=True)
        sources += (
            f'[[source]]\nname = "p{number}"\npath = "exports{number}"\n'
            f'instrument = "P{number}"\nsettle_s = 0.2\n'
        )
    (folder / "ingestd.toml").write_text(
        f'[site]\nname = "{SITE}"\ntime_zone = "Etc/UTC"\n[plan]\nopen_days = 30\n{extra}{sources}'
    )
    return load_config(folder / "ingestd.toml")


def lot_of(procedure: str, day: date) -> str:
    """The kit lot of a method that is in use on a day."""
    return f"K-{procedure}-{day.toordinal() // LOT_DAYS}"


def _plan(first: date, last: date) -> str:
    parts = [BARE]
    for number in range(1, INSTRUMENTS + 1):
        parts.append(
            f'[[instrument]]\nname = "P{number}"\nserial = "SN{number:04}"\n'
            'time_zone = "Etc/UTC"\n'
            f"verification_due = {last + timedelta(days=300)}\n"
        )
    for number in range(1, POINTS + 1):
        parts.append(f'[[sampling_point]]\ncode = "point {number:02}"\nmatrix = "waste water"\n')
    for one in PROCEDURES:
        basis = f'basis = "{one.basis}"\n' if one.basis else ""
        parts.append(
            f'[[method]]\nname = "{one.name}"\nanalyte = "{one.analyte}"\n{basis}'
            f"range_low = {one.low}\nrange_high = {one.high}\nrounding = [{{ to = 1 }}]\n"
            f'needs = [{{ role = "blank", per = "{one.per}" }},'
            f' {{ role = "control_standard", per = "{one.per}" }}]\n'
        )
        for block in range(first.toordinal() // LOT_DAYS, last.toordinal() // LOT_DAYS + 1):
            parts.append(
                f'[[kit_lot]]\nlot = "K-{one.name}-{block}"\nmethod = "{one.name}"\n'
                f"expires = {date.fromordinal((block + 1) * LOT_DAYS + 40)}\n"
            )
        parts.append(
            f'[[control_standard]]\nlot = "CS-{one.name}"\nanalyte = "{one.analyte}"\n{basis}'
            f"value = {nominal(one)}\nexpanded_uncertainty = {max(nominal(one) // 50, 1)}\n"
            f"expires = {last + timedelta(days=300)}\n"
        )
    parts.append(
        f'[[kit_lot]]\nlot = "B1"\nmethod = "BARE"\nexpires = {last + timedelta(days=300)}\n'
    )
    return "\n".join(parts)


def nominal(procedure: Procedure) -> int:
    """What a method's control standard holds, mg/L."""
    return (procedure.low + procedure.high) // 2


def begin_ledger(config: Config, *, first: datetime, last: datetime) -> Ledger:
    """An empty ledger with people, the signed release policy, and the plan for a period."""
    ledger = Ledger.open(config.ledger.path, site=SITE, at=first)
    take_configured(ledger, config, at=first, by="ingestd")
    in_force_cache = InForceCache()
    for account, role in (
        ("ada", PersonRole.ADMIN),
        ("mara", PersonRole.ANALYST),
        ("rita", PersonRole.REVIEWER),
    ):
        with ledger.change(at=first, by="ada") as change:
            in_force = in_force_cache.current(ledger.conn)
            add_person(change, in_force, Person(account=account, roles=(role,)), by="ada")
    with ledger.change(at=first, by="rita") as change:
        in_force = in_force_cache.current(ledger.conn)
        set_release_policy(change, in_force, mode="automatic", by="rita", reason="validated")
    plan = _plan(first.date(), last.date())
    load_file(ledger, "plan.toml", plan.encode(), in_force_cache, config, at=first, by="ada")
    return ledger
