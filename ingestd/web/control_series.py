"""The control values of a method as series, one a chart: standards, blanks, duplicates, spikes."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any

from ingestd.evaluate.figures import plain, short
from ingestd.ledger import work
from ingestd.ledger.connection import Connection
from ingestd.model import ChartLimits, Role
from ingestd.times import instant

MOST_DRAWN = 200
KINDS = {
    Role.CONTROL_STANDARD: "mean",
    Role.BLANK: "blank",
    Role.DUPLICATE: "range",
    Role.SPIKE: "spike",
}
TITLES = {
    "mean": "Control standard",
    "blank": "Blanks",
    "range": "Duplicates, relative range",
    "spike": "Spikes, recovery",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlDot:
    """One control value.

    Attributes:
        value: what is drawn: the value, or percent; exact.
        found: the value as it was found, method's unit.
        passed: no rule holds or refuses its tube.
    """

    run: str
    position: int
    at: datetime
    instrument: str
    value: Decimal | Fraction
    found: Decimal
    passed: bool

    @property
    def text(self) -> str:
        """The drawn value for a table: printed digits as they are, ratios to four."""
        return short(self.value) if isinstance(self.value, Fraction) else plain(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlSeries:
    """One chart.

    Attributes:
        kind: mean, blank, range or spike.
        level: lot of the control standard, "" for other kinds.
        nominal: of the standard, if it is known.
        limits: frozen for this chart, None if nobody has set any.
    """

    method: str
    kind: str
    level: str
    unit: str
    nominal: Decimal | None
    dots: tuple[ControlDot, ...]
    limits: ChartLimits | None

    @property
    def title(self) -> str:
        """What the chart shows."""
        return f"{TITLES[self.kind]} {self.level}".strip() + f", {self.unit}"

    @property
    def key(self) -> str:
        """Tells the charts of one page apart."""
        return f"{self.kind}-{self.level}"


def control_series(
    conn: Connection,
    method: str,
    unit: str,
    limits: Sequence[ChartLimits],
    *,
    instrument: str = "",
) -> list[ControlSeries]:
    """Every series of a method that has a value, newest values only, oldest first.

    Args:
        unit: the method's.
        limits: those in force.
        instrument: only values of this one.
    """
    found = []
    for role, kind in KINDS.items():
        by_level: dict[str, list[ControlDot]] = {}
        nominals: dict[str, Decimal] = {}
        for row in _rows(conn, method, role, instrument):
            dot = _dot(conn, kind, row)
            if dot is not None:
                by_level.setdefault(row[8], []).append(dot)
                if row[5] is not None:
                    nominals[row[8]] = Decimal(row[5])
        for level, dots in sorted(by_level.items()):
            found.append(
                ControlSeries(
                    method=method,
                    kind=kind,
                    level=level,
                    unit="%" if kind in ("range", "spike") else unit,
                    nominal=nominals.get(level),
                    dots=tuple(dots),
                    limits=_limits_of(
                        limits, method, kind, level, nominals.get(level), instrument
                    ),
                )
            )
    return found


def _rows(conn: Connection, method: str, role: Role, instrument: str) -> list[tuple[Any, ...]]:
    rows = conn.execute(
        "SELECT run, position, at, instrument, value, nominal, partner, passed, level"
        " FROM control_values INDEXED BY control_values_by_method"  # not through all roles
        " WHERE method = ? AND role = ? AND value IS NOT NULL"
        " AND (?3 = '' OR instrument = ?3) ORDER BY at DESC, run, position LIMIT ?4",
        (method, role.value, instrument, MOST_DRAWN),
    ).fetchall()
    return rows[::-1]


def _dot(conn: Connection, kind: str, row: tuple[Any, ...]) -> ControlDot | None:
    run, position, at, instrument, value, _, partner, passed, _ = row
    found = Decimal(value)
    drawn: Decimal | Fraction | None = found
    if kind == "range":
        drawn = _relative_range(found, None if partner is None else Decimal(partner))
    elif kind == "spike":
        drawn = _recovery(conn, run, int(position), found, partner)
    if drawn is None:
        return None
    return ControlDot(
        run=run,
        position=int(position),
        at=instant(at),
        instrument=instrument,
        value=drawn,
        found=found,
        passed=bool(passed),
    )


def _relative_range(first: Decimal, second: Decimal | None) -> Fraction | None:
    """Difference of a pair in percent of its mean, as the rule `duplicates` has it."""
    if second is None or first + second <= 0:
        return None
    a, b = Fraction(first), Fraction(second)
    return abs(a - b) * 200 / (a + b)


def _recovery(
    conn: Connection, run: str, position: int, found: Decimal, partner: str | None
) -> Fraction | None:
    """What was found of a spike in percent of what was added."""
    stored = work.find_run(conn, run)
    tubes = stored.run.tubes if stored else ()
    added = next((tube.spike_added for tube in tubes if tube.position == position), None)
    if partner is None or not added:
        return None
    return (Fraction(found) - Fraction(partner)) * 100 / Fraction(added)


def _limits_of(
    limits: Sequence[ChartLimits],
    method: str,
    kind: str,
    level: str,
    nominal: Decimal | None,
    instrument: str,
) -> ChartLimits | None:
    """The limits of this chart: those of the instrument before those of all."""
    levels = {level, "", *([] if nominal is None else [plain(nominal)])}
    fitting = [
        one
        for one in limits
        if (one.method, one.kind) == (method, kind)
        and one.level in levels
        and one.instrument in {instrument, ""}
    ]
    return max(fitting, key=lambda one: (one.instrument != "", one.level != ""), default=None)
