"""What must come out of a run, worked out from its tubes: controls, pairs, completeness, results.

Like `tubes` it imports nothing of the program.
"""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from tests.simulation.laboratory import STANDARD_VALUES, MethodFacts
from tests.simulation.tubes import Facts, Tube, work_out

CONTROL_ROLES = ("blank", "control_standard", "duplicate")


@dataclass(frozen=True, slots=True)
class Expected:
    """What the newest version of a result must say."""

    verdict: str
    text: str
    exact: Fraction | None
    readings: tuple[int, ...]


@dataclass(slots=True)
class Outcome:
    """A run as it must come out; `passed` says of each control tube with a reading if it did."""

    complete: bool
    results: dict[str, Expected]
    passed: dict[int, bool]


def expect(facts: Facts) -> Outcome:
    """Work a run out."""
    tubes = [work_out(facts, plan) for plan in facts.plan.tubes]
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


def _blanks(facts: Facts, tubes: list[Tube], held: dict[int, str]) -> None:
    limit = Fraction(
        facts.method.low if facts.method.blank_max is None else facts.method.blank_max
    )
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


def _stated(method: MethodFacts, read: list[Tube], values: list[Fraction]) -> tuple[Fraction, str]:
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
