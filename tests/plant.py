"""A real plant's COD as a laboratory would have worked it: bench sheets, and exports in our forms.

The photometer shows concentration / dilution, rounded to one decimal as it prints; the values
come back multiplied and rounded once to whole mg/L, which the rounding of the display cannot
change for the factors used here (error at most 0.05 * factor < 0.5).
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import groupby
from pathlib import Path

from tests.conftest import SHEET_HEAD

POINTS = ("inlet", "settled", "outlet")
FACTORS = {"inlet": (1, 2, 4, 8), "settled": (1, 2, 5), "outlet": (1,)}

PLAN = """
[[instrument]]
name = "P1"
time_zone = "Europe/Madrid"

[[instrument]]
name = "P2"
time_zone = "Europe/Madrid"

[[instrument]]
name = "P3"
time_zone = "Europe/Madrid"

[[method]]
name = "COD"
analyte = "COD"
basis = "O2"
range_low = 5
range_high = 1500
turbidity_check = true
cooling_min = 10
programs = [{ name = "standard", temperature_c = 148, minutes = 120 }]
rounding = [{ to = 1 }]
needs = [{ role = "blank" }, { role = "control_standard" }]

[[kit_lot]]
lot = "K1"
method = "COD"
expires = 1999-12-31

[[control_standard]]
lot = "CS500"
analyte = "COD"
basis = "O2"
value = 500
expires = 1999-12-31

[[sampling_point]]
code = "inlet"

[[sampling_point]]
code = "settled"

[[sampling_point]]
code = "outlet"
"""


@dataclass(frozen=True, slots=True)
class Value:
    """One measured value of the plant; whole mg/L."""

    day: date
    point: str
    cod: Decimal


def plant_days() -> list[tuple[date, dict[str, Decimal | None]]]:
    """Every day of the data set with its three values, None where missing."""
    path = Path(__file__).parent / "data" / "plant_cod.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return sorted(
            (
                (
                    date.fromisoformat(row["day"]),
                    {p: Decimal(row[p]) if row[p] else None for p in POINTS},
                )
                for row in rows
            ),
            key=lambda pair: pair[0],
        )


def plant_values() -> list[Value]:
    """The values that are there, by day and point."""
    return [
        Value(day, point, cod)
        for day, values in plant_days()
        for point, cod in values.items()
        if cod is not None
    ]


@dataclass(frozen=True, slots=True)
class Month:
    """One month's work at one point: a bench sheet and one export."""

    name: str
    point: str
    sheet: str
    export: str
    values: tuple[Value, ...]


def months() -> Iterator[Month]:
    """The plant's work, a run for each month and point."""
    number = 0
    ordered = sorted(plant_values(), key=lambda v: (v.point, v.day))
    for (point, month), group in groupby(
        ordered, key=lambda v: (v.point, v.day.strftime("%Y-%m"))
    ):
        values = tuple(group)
        start = datetime.combine(values[-1].day, datetime.min.time()) + timedelta(hours=9)
        sheet, readings = _work(f"{month} {point}", point, start, values)
        lines = []
        for index, reading in enumerate(readings):
            number += 1
            lines.append((number, start + timedelta(hours=3, seconds=30 * index), *reading))
        yield Month(f"{month}-{point}", point, sheet, _export(point, lines), values)


def _work(
    run: str, point: str, start: datetime, values: tuple[Value, ...]
) -> tuple[str, list[tuple[str, int, str]]]:
    instrument = f"P{POINTS.index(point) + 1}"
    begun, ended = start + timedelta(minutes=5), start + timedelta(minutes=125)
    first = (
        f"{run},COD,{start:%Y-%m-%d %H:%M},{instrument},ana,standard,1,blank,,B {run},,,,,K1,,"
        f"{begun:%Y-%m-%d %H:%M},{ended:%Y-%m-%d %H:%M},148,clear\n"
    )
    rows = [first, f"{run},,,,,,2,control_standard,,C {run},,,,,K1,CS500,,,,\n"]
    readings = [(f"B {run}", 1, "0.0"), (f"C {run}", 1, "501.0")]
    for position, value in enumerate(values, 3):
        factors = FACTORS[point]
        factor = factors[position % len(factors)]
        shown = (value.cod / factor).quantize(Decimal("0.1"), rounding=ROUND_HALF_EVEN)
        if not 5 <= shown <= 1500:
            factor, shown = 1, value.cod.quantize(Decimal("0.1"))
        sample = f"{value.point[:2].upper()}-{value.day:%y%m%d}"
        rows.append(
            f"{run},,,,,,{position},sample,{sample},,{point},{value.day} 06:00,,x{factor},K1,"
            ",,,,\n"
        )
        readings.append((sample, factor, str(shown)))
    return SHEET_HEAD + "".join(rows), readings


def _export(point: str, lines: list[tuple[int, datetime, str, int, str]]) -> str:
    """The readings in one of the three shipped forms, by point."""
    if point == "inlet":
        head = (
            "Serial number of reading,Read at,Bottle,Procedure,Diluted,Extinction,Outcome,"
            "Stated in,Kit batch\n"
        )
        return head + "".join(
            f"{n},{at:%Y-%m-%d %H:%M:%S},{sample},COD,{factor},,{shown},mg/L,K1\n"
            for n, at, sample, factor, shown in lines
        )
    if point == "settled":
        return _comma_table(lines)
    return "\n".join(
        f"Count: {n}\nOn: {at:%Y-%m-%d}\nAt: {at:%H:%M:%S}\nTube of: {sample}\n"
        f"Looked for: COD\nDilution: {factor}\nFound: {shown} mg/L\n"
        for n, at, sample, factor, shown in lines
    )


def _comma_table(lines: list[tuple[int, datetime, str, int, str]]) -> str:
    """This form's photometer multiplies by the dilution itself."""
    return "Day;Clock;Sample label;Test;Thinned by;Finding (mg/L)\n" + "".join(
        f"{at:%d.%m.%Y};{at:%H:%M:%S};{sample};COD;{factor};"
        f"{str(Decimal(shown) * factor).replace('.', ',')}\n"
        for _, at, sample, factor, shown in lines
    )
