"""The invented site: its plan and configuration, and the same facts as the simulation knows them.

Ranges, limits and factors are made up; they only have to be the same in the plan that is loaded
and in the tables beside it, from which the independent model works.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Literal

ZONES = ("Europe/Berlin", "Etc/UTC", "America/Halifax")
OPEN_DAYS = 14
SETTLE_S = 2.0
DIGESTION_MIN = 120
COOLING_MIN = 10
CHLORIDE = Decimal(1000)
STANDARD_VALUES = {"CS500": Decimal(500), "NS10": Decimal(10)}


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodFacts:
    """What the model knows of a method.

    Attributes:
        blank_max: highest good blank, None where the method asks for no blank.
        standard: the control standard it is checked with, "" for none.
        rounding: (below, step) pairs, the last with None.
        places: digits after the point that its display shows.
    """

    name: str
    analyte: str
    low: Decimal
    high: Decimal
    rounding: tuple[tuple[Decimal | None, Decimal], ...]
    places: int
    digests: bool = False
    blank_max: Decimal | None = None
    standard: str = ""
    standard_per: Literal["run", "day"] = "run"
    first_counts: bool = False
    pairs: bool = False


METHODS: Mapping[str, MethodFacts] = {
    one.name: one
    for one in (
        MethodFacts(
            name="COD",
            analyte="COD",
            low=Decimal(100),
            high=Decimal(1500),
            rounding=((Decimal(1000), Decimal(1)), (None, Decimal(10))),
            places=0,
            digests=True,
            blank_max=Decimal(100),
            standard="CS500",
            pairs=True,
        ),
        MethodFacts(
            name="AMM",
            analyte="ammonium",
            low=Decimal(1),
            high=Decimal(50),
            rounding=((Decimal(10), Decimal("0.1")), (None, Decimal(1))),
            places=1,
            blank_max=Decimal("0.5"),
            pairs=True,
        ),
        MethodFacts(
            name="PHO",
            analyte="phosphate",
            low=Decimal("0.05"),
            high=Decimal(5),
            rounding=((None, Decimal("0.01")),),
            places=3,
            first_counts=True,
        ),
        MethodFacts(
            name="NIT",
            analyte="nitrate",
            low=Decimal("0.5"),
            high=Decimal(30),
            rounding=((None, Decimal("0.1")),),
            places=2,
            standard="NS10",
            standard_per="day",
        ),
    )
}

LATE_LOTS = {"COD": "K9", "AMM": "A9"}  # boxes opened before anybody has put them on record
LOTS = {"COD": "K1", "AMM": "A1", "PHO": "F1", "NIT": "N1"}

# What an instrument speaks: its form, and whether it has multiplied by the dilution already.
INSTRUMENTS = {
    "P1": ("point_table", False),
    "P2": ("comma_table", True),
    "P3": ("labelled_report", False),
    "P4": ("checked_line", True),
}
FOLDERS = ("P1", "P2", "P3")
LINE = "P4"


def config_text(site: str, zone: str, delivered: str) -> str:
    """The configuration file of a site; `delivered` is the folder of its daily files."""
    folders = "".join(
        f'[[source]]\nname = "{name}"\npath = "{name}"\ninstrument = "{name}"\n'
        for name in FOLDERS
    )
    return (
        f'[site]\nname = "{site}"\ntime_zone = "{zone}"\n'
        f'[plan]\nfolder = "plan"\nopen_days = {OPEN_DAYS}\n'
        f'[delivery.files]\nfolder = "{delivered}"\n{folders}'
        f'[[source]]\nkind = "line"\nname = "{LINE}"\nport = "/dev/null"\n'
        f'form = "checked_line"\ninstrument = "{LINE}"\n'
    )


def plan_text(zone: str) -> str:
    """The plan file that is loaded first."""
    parts = [
        f'[[instrument]]\nname = "{name}"\ntime_zone = "{zone}"\nverification_due = 2031-12-31\n'
        for name in INSTRUMENTS
    ]
    parts += [method_text(method) for method in METHODS.values()]
    parts += [lot_text(lot, method) for method, lot in LOTS.items()]
    parts += [
        f'[[control_standard]]\nlot = "{lot}"\nanalyte = "{analyte}"\nbasis = "{basis}"\n'
        f"value = {STANDARD_VALUES[lot]}\nexpires = 2031-01-01\n"
        for lot, analyte, basis in (("CS500", "COD", "O2"), ("NS10", "nitrate", "N"))
    ]
    parts += [f'[[sampling_point]]\ncode = "{code}"\n' for code in ("inlet", "outlet")]
    return "\n".join(parts)


_BASIS = {"COD": "O2", "AMM": "N", "PHO": "P", "NIT": "N"}


def method_text(method: MethodFacts) -> str:
    """A method as its section of a plan file."""
    rounding = ", ".join(
        f"{{ to = {step} }}" if below is None else f"{{ below = {below}, to = {step} }}"
        for below, step in method.rounding
    )
    needs = []
    if method.blank_max is not None:
        needs.append('{ role = "blank" }')
    if method.standard:
        needs.append(f'{{ role = "control_standard", per = "{method.standard_per}" }}')
    text = (
        f'[[method]]\nname = "{method.name}"\nanalyte = "{method.analyte}"\n'
        f'basis = "{_BASIS[method.name]}"\nrange_low = {method.low}\n'
        f"range_high = {method.high}\nrounding = [{rounding}]\nneeds = [{', '.join(needs)}]\n"
        f'combine = "{"first" if method.first_counts else "mean"}"\n'
    )
    if method.blank_max is not None:
        text += f"limits = {{ blank_max = {method.blank_max} }}\n"
    if method.digests:
        text += (
            f"turbidity_check = true\ncooling_min = {COOLING_MIN}\n"
            f'programs = [{{ name = "standard", temperature_c = 148, minutes = {DIGESTION_MIN} }}]'
            f'\ninterferents = [{{ name = "chloride", tolerance = {CHLORIDE} }}]\n'
        )
    return text


def lot_text(lot: str, method: str) -> str:
    """A kit lot as its section of a plan file."""
    return f'[[kit_lot]]\nlot = "{lot}"\nmethod = "{method}"\nexpires = 2031-01-01\n'


def revised(method: MethodFacts) -> MethodFacts:
    """The method with finer rounding: what an admin may change at any time."""
    steps = tuple((below, step / 10) for below, step in method.rounding)
    return replace(method, rounding=steps)
