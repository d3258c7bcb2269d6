"""What must come out of a run, worked out from what really happened.

Written from the plan of record and the trade, with exact fractions, and importing nothing of the
program: dilution once, range, controls, pairs, rounding once.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction

from tests.simulation.laboratory import (
    CHLORIDE,
    COOLING_MIN,
    DIGESTION_MIN,
    STANDARD_VALUES,
    MethodFacts,
)
from tests.simulation.truth import Measurement, RunPlan, TubePlan

CONTROL_ROLES = ("blank", "control_standard", "duplicate")


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


@dataclass(frozen=True, slots=True)
class Expected:
    """What the newest version of a result must say."""

    verdict: str
    text: str
    exact: Fraction | None
    readings: tuple[int, ...]


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


@dataclass(slots=True)
class Outcome:
    """A run as it must come out; `passed` says of each control tube with a reading if it did."""

    complete: bool
    results: dict[str, Expected]
    passed: dict[int, bool]


def expect(facts: Facts) -> Outcome:
    """Work a run out."""
    tubes = [_tube(facts, plan) for plan in facts.plan.tubes]
    held: dict[int, str] = {}  # a hold of the whole run, by the position it speaks of
    _blanks(facts, tubes, held)
    _standards(tubes, held)
    _pairs(tubes, held)
    lacking, hold_of_closed = _needs(facts, tubes)
    complete = not lacking and not any(tube.is_missing for tube in tubes)
    of_run = [*held.values(), *hold_of_closed]
    results = {}
    for sample in dict.fromkeys(t.plan.sample for t in tubes if t.plan.sample):
        own = [t for t in tubes if t.plan.sample == sample]
        results[sample] = _result(facts.method, own, of_run, complete=complete)
    passed = {
        t.plan.position: not t.is_bad and t.plan.position not in held
        for t in tubes
        if t.plan.role in CONTROL_ROLES and t.counted is not None and not t.is_void
    }
    return Outcome(complete, results, passed)


def _tube(facts: Facts, plan: TubePlan) -> Tube:
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
        tube.sign = sent.token
        tube.value = {"<": low, ">": high}.get(sent.token, gross)
    elif sent.token == ">" or (gross is not None and gross > high):
        tube.value, tube.sign = high, ">"
        tube.holds.append("above the range")
    elif sent.token == "<" or (gross is not None and gross < low):
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


def _blanks(facts: Facts, tubes: list[Tube], held: dict[int, str]) -> None:
    limit = Fraction(facts.method.low if facts.method.blank_max is None else facts.method.blank_max)
    for tube in tubes:
        if tube.plan.role != "blank" or tube.is_void or not tube.answers:
            continue
        is_high = tube.sign == ">" or (
            tube.sign == "" and tube.value is not None and abs(tube.value) > limit
        )
        if tube.is_bad or is_high:
            held[tube.plan.position] = "blank"


def _standards(tubes: list[Tube], held: dict[int, str]) -> None:
    for tube in tubes:
        if tube.plan.role != "control_standard" or tube.is_void or not tube.answers:
            continue
        nominal = Fraction(STANDARD_VALUES[tube.plan.standard])
        good = (
            not tube.is_bad
            and tube.value is not None
            and not tube.sign
            and Fraction(9, 10) <= tube.value / nominal <= Fraction(11, 10)
        )
        if not good:
            held[tube.plan.position] = "control standard"


def _pairs(tubes: list[Tube], held: dict[int, str]) -> None:
    for other in tubes:
        if other.plan.role != "duplicate" or other.is_void or not other.answers:
            continue
        one = next(
            (
                t
                for t in tubes
                if t.plan.role == "sample" and t.plan.sample == other.plan.sample and not t.is_void
            ),
            None,
        )
        if one is None or not one.answers:
            continue
        for tube in (one, other):
            if tube.is_bad:
                held[other.plan.position] = "pair in doubt"
                held.setdefault(tube.plan.position, "")
                break
        else:
            if _apart(one, other):
                held[other.plan.position] = "pair scatters"
    for position in [position for position, why in held.items() if not why]:
        del held[position]  # a sample tube is no control; its own hold speaks for it


def _apart(one: Tube, other: Tube) -> bool:
    assert one.value is not None
    assert other.value is not None
    if one.sign and other.sign:
        return False
    a, b = one.value, other.value
    middle = (a + b) / 2
    if one.sign or other.sign:
        number, bound = (b, a) if one.sign else (a, b)
        return number > bound and (number - bound) * 100 > 15 * middle
    return a != b and abs(a - b) * 100 > 15 * middle


def _needs(facts: Facts, tubes: list[Tube]) -> tuple[list[str], list[str]]:
    """What the run waits for, and what it was closed without."""
    method = facts.method
    if not any(t.plan.role == "sample" and not t.is_void for t in tubes):
        return [], []
    needs = ["blank"] if method.blank_max is not None else []
    needs += ["control_standard"] if method.standard else []
    lacking, closed = [], []
    for role in needs:
        planned = [t for t in tubes if t.plan.role == role and not t.is_void]
        if any(t.counted is not None for t in planned):
            continue
        if role == "control_standard" and method.standard_per == "day" and facts.covered:
            continue
        if (None, "closed") in facts.notes:
            closed.append(role)
        elif not planned:
            lacking.append(role)
    return lacking, closed


def _result(
    method: MethodFacts, own: list[Tube], of_run: list[str], *, complete: bool
) -> Expected:
    live = [t for t in own if not t.is_void]
    if method.first_counts and live:
        live = [next((t for t in live if t.plan.role == "sample"), live[0])]
    refused = not live or any(t.refuses for t in live)
    held = bool(of_run) or any(t.holds for t in live)
    read = [t for t in live if t.counted is not None]
    exact: Fraction | None = None
    text = ""
    values = [t.value for t in read if t.value is not None]
    if read and len(values) == len(read):
        exact, text = _stated(method, read, values)
    verdict = "accepted"
    if refused:
        verdict = "refused"
    elif held:
        verdict = "held"
    elif not complete or not read:
        verdict = "awaiting"
    return Expected(verdict, text, exact, tuple(t.counted.id for t in read if t.counted))


def _stated(
    method: MethodFacts, read: list[Tube], values: list[Fraction]
) -> tuple[Fraction, str]:
    signs = {t.sign for t in read}
    exact = sum(values, Fraction(0)) / len(values)
    if ">" in signs:
        known = [Fraction(0) if t.sign == "<" else v for t, v in zip(read, values, strict=True)]
        exact = sum(known, Fraction(0)) / len(known)
        return exact, f"> {_plain(exact)}"
    if "<" in signs:
        return exact, f"< {_plain(exact)}"
    step = next(s for below, s in method.rounding if below is None or abs(exact) < below)
    # round() of a fraction goes to the even neighbour half way, as the site asks.
    return exact, format(step * round(exact / Fraction(step)), "f")


def _plain(value: Fraction) -> str:
    digits = Decimal(value.numerator) / Decimal(value.denominator)
    return format(digits.normalize(), "f")
