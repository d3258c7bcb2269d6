"""What one tube must come to, worked out from what really happened to it.

Written from the plan of record and the trade, with exact fractions, and importing nothing of the
program: one reading that counts, dilution once, range, what was noted at the bench.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction

from tests.simulation.laboratory import CHLORIDE, COOLING_MIN, DIGESTION_MIN, MethodFacts
from tests.simulation.truth import Measurement, RunPlan, TubePlan


@dataclass(slots=True)
class Reading:
    """A measurement that counts, as the ledger must hold it; `place` is (run, position)."""

    id: int
    sent: Measurement
    at: datetime
    note: str
    applied: bool
    conflict: bool = False
    place: tuple[str, int] | None = None


@dataclass(slots=True)
class Facts:
    """What the judgement of one run depends on.

    Attributes:
        notes: (position or None, key) to the newest value.
        readings: by position, in order of arrival.
        lots: kit lots on record.
        covered: a control standard passed in another run of the method that day.
    """

    plan: RunPlan
    method: MethodFacts
    notes: Mapping[tuple[int | None, str], str]
    readings: Mapping[int, list[Reading]]
    chlorides: Mapping[str, Decimal]
    lots: frozenset[str]
    covered: bool

    def noted(self, position: int, key: str) -> str | None:
        return self.notes.get((position, key), self.notes.get((None, key)))


@dataclass(slots=True)
class Tube:
    """One tube as it comes out."""

    plan: TubePlan
    is_void: bool
    counted: Reading | None = None
    is_missing: bool = False
    holds: list[str] = field(default_factory=list)
    refuses: list[str] = field(default_factory=list)
    value: Fraction | None = None
    sign: str = ""

    @property
    def is_bad(self) -> bool:
        return bool(self.holds or self.refuses)

    @property
    def answers(self) -> bool:
        return self.counted is not None or self.is_bad


def work_out(facts: Facts, plan: TubePlan) -> Tube:
    """What one tube comes to by itself."""
    position = plan.position
    tube = Tube(plan, facts.noted(position, "void") is not None)
    if tube.is_void:
        return tube
    readings = facts.readings.get(position, [])
    chosen = facts.notes.get((position, "use_reading"))
    if not readings:
        tube.is_missing = True
        if (None, "closed") in facts.notes:
            tube.is_void, tube.is_missing = True, False
        return tube
    if chosen is not None:
        tube.counted = next((r for r in readings if str(r.id) == chosen), None)
    elif len(readings) == 1:
        tube.counted = readings[0]
    if tube.counted is None:
        tube.holds.append("no single reading")
        return tube
    if tube.counted.conflict and chosen is None:
        tube.holds.append("conflict")
    _concentration(facts, tube, tube.counted)
    _bench(facts, tube, tube.counted)
    return tube


def _concentration(facts: Facts, tube: Tube, reading: Reading) -> None:
    sent, method = reading.sent, facts.method
    noted = facts.notes.get((tube.plan.position, "dilution"))
    factor = Fraction(Decimal(noted)) if noted is not None else Fraction(tube.plan.factor)
    shown = Fraction(Decimal(sent.shown)) if sent.shown else None
    gross: Fraction | None = None
    if sent.stated is not None and Fraction(sent.stated) != factor:
        tube.holds.append("dilutions differ")
    elif factor != 1 and reading.applied and sent.stated is None:
        tube.holds.append("dilution not stated")
    elif shown is not None:
        gross = shown if reading.applied else shown * factor
    low, high = Fraction(method.low) * factor, Fraction(method.high) * factor
    if tube.plan.role == "blank":
        tube.sign = sent.sign
        tube.value = {"<": low, ">": high}.get(sent.sign, gross)
    elif sent.sign == ">" or (gross is not None and gross > high):
        tube.value, tube.sign = high, ">"
        tube.holds.append("above the range")
    elif sent.sign == "<" or (gross is not None and gross < low):
        tube.value, tube.sign = low, "<"
    else:
        tube.value = gross
    if tube.plan.role in ("sample", "duplicate") and method.digests:
        chloride = facts.chlorides.get(tube.plan.sample)
        if chloride is not None and Fraction(chloride) > Fraction(CHLORIDE) * factor:
            tube.holds.append("chloride")


def _bench(facts: Facts, tube: Tube, reading: Reading) -> None:
    position = tube.plan.position
    if reading.note == "ambiguous":
        tube.holds.append("time in doubt")
    if tube.plan.lot not in facts.lots:
        tube.holds.append("lot not on record")
    turbidity = facts.noted(position, "turbidity")
    if turbidity == "turbid":
        tube.refuses.append("turbid")
    if not facts.method.digests:
        return
    if turbidity is None and tube.plan.role in ("sample", "duplicate"):
        tube.holds.append("turbidity not noted")
    start, end = facts.noted(position, "digestion_start"), facts.noted(position, "digestion_end")
    if start is None or end is None:
        tube.holds.append("digestion not noted")
    else:
        lasted = datetime.fromisoformat(end) - datetime.fromisoformat(start)
        if abs(lasted - timedelta(minutes=DIGESTION_MIN)) > timedelta(minutes=10):
            tube.holds.append("digestion of another length")
    if end is not None:
        cooled = reading.at - datetime.fromisoformat(end)
        if cooled < timedelta(minutes=COOLING_MIN):
            tube.holds.append("read too hot")
