"""Simulated photometers that keep readings in memory and write them out in one of our forms.

Invented from end to end: what a tube shows is its true concentration, its dilution and some
scatter. Nothing of the service is used here; the bytes must speak for themselves.
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo

RELATIVE_SCATTER = Decimal("0.010")  # of the concentration in the tube; common practice, no source
RANGE_SCATTER = Decimal("0.002")  # of the range's upper end; common practice, no source
FULL_SCALE_ABSORBANCE = Decimal("0.92")  # at the range's upper end; invented


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeTest:
    """What a photometer knows of a method.

    Attributes:
        range_low, range_high: in the tube, mg/L.
        step: last digit it shows, mg/L.
    """

    name: str
    range_low: Decimal
    range_high: Decimal
    step: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One reading as the photometer keeps it.

    Attributes:
        wall: on its own clock, without zone.
        factor: as typed in by whoever read the tube; dimensionless, >= 1.
        value: mg/L, None where it showed only that the tube is out of its range.
        beyond: "" | "low" | "high".
    """

    number: int
    wall: datetime
    label: str
    test: str
    factor: Decimal
    value: Decimal | None
    beyond: str
    absorbance: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a photometer writes its readings out.

    Attributes:
        head: what a file begins with.
        line: text of one reading, line ends included.
        applies_dilution: the value shown is already multiplied by the factor.
        hides_low: below the range it shows a word, not a number.
    """

    head: str
    line: Callable[[Shown, str], str]
    applies_dilution: bool = False
    hides_low: bool = False


class Photometer:
    """One simulated photometer.

    Args:
        name, serial, zone: as the plan has them; `zone` is that of its clock.
        layout: how it writes.
        chance: where its scatter comes from.
    """

    def __init__(
        self, name: str, serial: str, zone: str, layout: Layout, chance: random.Random
    ) -> None:
        self.name = name
        self.serial = serial
        self.layout = layout
        self._zone = ZoneInfo(zone)
        self._chance = chance
        self._number = 0

    def read(
        self,
        test: TubeTest,
        label: str,
        *,
        true: Decimal,
        diluted: Decimal,
        stated: Decimal,
        at: datetime,
    ) -> Shown:
        """What it shows of a tube.

        Args:
            true: concentration in the undiluted sample, mg/L.
            diluted: factor by which the sample really was diluted.
            stated: factor typed in at the photometer.
            at: the instant of the reading.
        """
        self._number += 1
        in_tube = true / diluted
        in_tube += in_tube * RELATIVE_SCATTER * self._deviate()
        in_tube += test.range_high * RANGE_SCATTER * self._deviate()
        beyond = ""
        if in_tube > test.range_high:
            beyond = "high"
        elif in_tube < test.range_low and self.layout.hides_low:
            beyond = "low"
        times = stated if self.layout.applies_dilution else Decimal(1)
        return Shown(
            number=self._number,
            wall=at.astimezone(self._zone).replace(tzinfo=None, microsecond=0),
            label=label,
            test=test.name,
            factor=stated,
            value=None if beyond else cut(in_tube * times, test.step),
            beyond=beyond,
            absorbance=cut(
                min(in_tube / test.range_high, Decimal(3)) * FULL_SCALE_ABSORBANCE,
                Decimal("0.001"),
            ),
        )

    def export(self, shown: Sequence[Shown], *, head: bool = True) -> str:
        """The text of these readings, below the file's head unless that is there already."""
        rows = [self.layout.line(one, self.serial) for one in shown]
        return (self.layout.head if head else "") + "".join(rows)

    def _deviate(self) -> Decimal:
        """A standard normal deviate, kept within two and a half standard deviations."""
        drawn = min(max(self._chance.gauss(0, 1), -2.5), 2.5)
        return Decimal(f"{drawn:.3f}")


def cut(number: Decimal, step: Decimal) -> Decimal:
    """The number with as many places as the step has; never a negative zero."""
    return number.quantize(step, rounding=ROUND_HALF_UP) + Decimal(0)


def _factor(shown: Shown) -> str:
    return "" if shown.factor == 1 else f"{shown.factor.normalize():f}"


def _point_row(shown: Shown, _serial: str) -> str:
    cells = (
        str(shown.number),
        f"{shown.wall:%Y-%m-%d %H:%M:%S}",
        shown.label,
        shown.test,
        _factor(shown),
        f"{shown.absorbance}",
        f"{shown.value}" if shown.value is not None else shown.beyond,
        "mg/L",
        "",
    )
    return ",".join(cells) + "\n"


def _comma_row(shown: Shown, serial: str) -> str:
    words = {"low": "under", "high": "over"}
    cells = (
        serial,
        f"{shown.wall:%d.%m.%Y}",
        f"{shown.wall:%H:%M:%S}",
        shown.label,
        shown.test,
        _factor(shown).replace(".", ","),
        f"{shown.value}".replace(".", ",") if shown.value is not None else words[shown.beyond],
        f"{shown.absorbance}".replace(".", ","),
        "",
    )
    return ";".join(cells) + "\n"


def _report_block(shown: Shown, _serial: str) -> str:
    words = {"low": "below reach", "high": "beyond reach"}
    lines = [
        f"Count: {shown.number}",
        f"On: {shown.wall:%Y-%m-%d}",
        f"At: {shown.wall:%H:%M:%S}",
        f"Tube of: {shown.label}",
        f"Looked for: {shown.test}",
        *([f"Dilution: {_factor(shown)}"] if shown.factor != 1 else []),
        f"Absorbed: {shown.absorbance}",
        f"Found: {f'{shown.value} mg/L' if shown.value is not None else words[shown.beyond]}",
    ]
    return "\n".join(lines) + "\n\n"


def _walk_row(shown: Shown, _serial: str) -> str:
    words = {"low": "under range", "high": "over range"}
    cells = (
        str(shown.number),
        f"{shown.wall:%Y-%m-%d %H:%M}",
        shown.label,
        shown.test,
        _factor(shown),
        f"{shown.value}" if shown.value is not None else words[shown.beyond],
        "mg/L",
    )
    return "\t".join(cells) + "\n"


POINT_TABLE = Layout(
    head="Serial number of reading,Read at,Bottle,Procedure,Diluted,Extinction,Outcome,"
    "Stated in,Kit batch\n",
    line=_point_row,
)
COMMA_TABLE = Layout(
    head="Photometer;Day;Clock;Sample label;Test;Thinned by;Finding (mg/L);Light lost;Note\n",
    line=_comma_row,
    applies_dilution=True,
)
LABELLED_REPORT = Layout(head="", line=_report_block, hides_low=True)
# After a change of its settings; the laboratory's form still expects another last but one title.
WALK_TABLE = Layout(
    head="Memory place\tWhen\tWhat\tBy\tFactor\tMass per volume\tIn\n",
    line=_walk_row,
    hides_low=True,
)
