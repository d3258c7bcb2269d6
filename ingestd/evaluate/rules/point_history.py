"""Whether a result is unusual among the earlier ones of its sampling point."""

from bisect import bisect_left, bisect_right
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.case import RunCase
from ingestd.evaluate.concentration import unit_factor
from ingestd.evaluate.figures import EXACT, plain, short
from ingestd.evaluate.rules.rule import CAUTION, PASS, Rule
from ingestd.evaluate.statistics.history import (
    FEWEST_IN_HISTORY,
    SUSPECT_BEYOND,
    compare_with_history,
)
from ingestd.model import Finding
from parsers.units import UnitError

POINT_HISTORY = Rule(
    name="point_history",
    question="Is the result usual for its sampling point?",
    formula="|result - median of earlier ones| <= 3.5 robust standard deviations "
    "(1.4826 x median absolute deviation)",
    outcomes=(
        ("usual", PASS),
        ("unusual: a real change looks the same, so this never holds", CAUTION),
    ),
    source="modified z score, NIST/SEMATECH e-Handbook 1.3.5.17 (Iglewicz and Hoaglin)",
    parameters=lambda _method, _site: (
        ("suspect beyond", f"{plain(SUSPECT_BEYOND)} robust standard deviations"),
        ("fewest earlier values", str(FEWEST_IN_HISTORY)),
    ),
)

# Half of a history lies within its median absolute deviation, so a distance d is beyond 3.5
# robust deviations only if more than half of it lies within d / 5.189 of the median. Counting
# by bisection settles nearly every result; the exact comparison follows only where this says so.
_NEAR = Decimal("5.18")


def compare_history(run: RunCase, sample: str, value: Decimal) -> Finding | None:
    """Return how the value compares with its point's history, None where that says nothing."""
    found = run.facts.samples.get(sample)
    if found is None or not found.point or not run.facts.point_history:
        return None
    history = _history_of(run, found.point)
    if len(history) < FEWEST_IN_HISTORY:
        return None
    half = len(history) // 2
    median = history[half]
    if len(history) % 2 == 0:
        median = EXACT.divide(EXACT.add(history[half - 1], median), Decimal(2))
    distance = abs(EXACT.subtract(value, median))
    near = distance / _NEAR
    within = bisect_right(history, median + near) - bisect_left(history, median - near)
    centre = short(median)
    unit = run.method.unit
    if within * 2 >= len(history):
        outcome = compare_with_history(value, history)
        if outcome is not None and outcome.unusual and outcome.score is not None:
            return POINT_HISTORY.answer(
                CAUTION,
                f"Sample {sample} is {plain(value)} {unit}; point {found.point} has a median of "
                f"{centre} {unit} over {len(history)} results, {short(abs(outcome.score))} robust "
                "standard deviations away. Compare with what happened there, and with the "
                "neighbouring tubes.",
                observed=f"{plain(value)} {unit}",
                limit=f"within 3.5 robust standard deviations of {centre} {unit}",
            )
    return POINT_HISTORY.answer(
        PASS,
        f"Sample {sample} is usual for point {found.point} (median {centre} {unit} over "
        f"{len(history)} results).",
        observed=f"{plain(value)} {unit}",
        limit=f"within 3.5 robust standard deviations of {centre} {unit}",
    )


def _history_of(run: RunCase, point: str) -> list[Decimal]:
    """Return the point's earlier numbers in the method's unit, sorted."""
    if run.histories is None:
        run.histories = _by_point(run)
    return run.histories.get(point, [])


def _by_point(run: RunCase) -> dict[str, list[Decimal]]:
    method = run.method
    found: dict[str, list[Decimal]] = {}
    for earlier in run.facts.point_history:
        if (
            earlier.censored
            or earlier.analyte != method.analyte
            or earlier.fraction != method.fraction
        ):
            continue
        value = earlier.value
        if earlier.unit != method.unit or earlier.basis != method.basis:
            try:
                basis = earlier.basis or method.basis
                factor = unit_factor(earlier.unit, basis, method.unit, method.basis or basis)
            except UnitError:
                continue  # a history in another quantity says nothing here
            value = _converted(value, factor)
        found.setdefault(earlier.point, []).append(value)
    for values in found.values():
        values.sort()
    return found


def _converted(value: Decimal, factor: Fraction) -> Decimal:
    return EXACT.multiply(value, Decimal(factor.numerator)) / Decimal(factor.denominator)
