"""Published values as tables: reading the rows, and how close is close enough."""

import csv
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path

from ingestd.evaluate.rounding import leading_place, round_significant, round_to

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One row: what goes in, the printed outcome, how close, and who printed it."""

    id: str
    quantity: str
    inputs: dict[str, str]
    expected: str
    tolerance: str
    source: str

    def __str__(self) -> str:
        return f"{self.id}-{self.quantity}"

    def number(self, name: str) -> Decimal:
        return Decimal(self.inputs[name])

    def numbers(self, name: str) -> tuple[Decimal, ...]:
        """Numbers written out in the row, or a series named @dataset.variable."""
        text = self.inputs[name]
        if text.startswith("@"):
            return series()[text[1:]]
        return tuple(Decimal(part) for part in text.split())

    def agrees(self, got: Decimal | Fraction | int) -> None:
        """Fail, quoting the row, unless the number is as close as the row demands.

        A tolerance is "digits" (to the last printed place), "15 digits" (significant), "exact",
        "N rel" (relative) or "N" (absolute).
        """
        want = Decimal(self.expected)
        exact = Fraction(got)
        if self.tolerance == "digits":
            printed = want.as_tuple().exponent
            assert isinstance(printed, int)
            close = round_to(exact, Decimal((0, (1,), printed))) == want
        elif self.tolerance.endswith(" digits"):
            count = int(self.tolerance.removesuffix(" digits"))
            close = round_significant(exact, count) == want
        elif self.tolerance == "exact":
            close = exact == Fraction(want)
        elif self.tolerance.endswith(" rel"):
            allowed = Fraction(self.tolerance.removesuffix(" rel")) * abs(Fraction(want))
            close = abs(exact - Fraction(want)) <= allowed
        else:
            close = abs(exact - Fraction(want)) <= Fraction(self.tolerance)
        assert close, (
            f"{self.id} {self.quantity}: got {shown(exact)}, want {self.expected} "
            f"within {self.tolerance} ({self.source})"
        )


def shown(value: Fraction) -> str:
    """Seventeen significant digits of an exact number, for a message."""
    if value == 0:
        return "0"
    return str(round_to(value, Decimal((0, (1,), leading_place(value) - 16))))


def checks(table: str, quantity: str | None = None) -> list[Check]:
    """Every row of a table, or those of one quantity; never an empty list."""
    with (DATA / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        found = [
            Check(
                id=row["id"],
                quantity=row["quantity"],
                inputs=dict(part.strip().split("=", 1) for part in row["inputs"].split(";")),
                expected=row["expected"],
                tolerance=row["tolerance"],
                source=row["source"],
            )
            for row in csv.DictReader(file, strict=True)
        ]
    assert all(check.source and check.tolerance for check in found), table
    chosen = [check for check in found if quantity is None or check.quantity == quantity]
    assert chosen, f"{table} has no rows of {quantity}"
    return chosen


@cache
def series() -> dict[str, tuple[Decimal, ...]]:
    """The data sets carried with the tests, as dataset.variable -> numbers."""
    with (DATA / "series.csv").open(encoding="utf-8", newline="") as file:
        return {
            f"{row['dataset']}.{row['variable']}": tuple(map(Decimal, row["values"].split()))
            for row in csv.DictReader(file, strict=True)
        }
