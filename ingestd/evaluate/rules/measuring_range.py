"""Whether the tube reads inside the measuring range, and what is stated where it does not."""

from decimal import Decimal

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.dilution_proposal import propose_dilution
from ingestd.evaluate.figures import Exact, plain, short_quotient, times
from ingestd.evaluate.limits_in_tube import lower_limit, other_lower_limit
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Parameters, Rule
from ingestd.model import Finding, Method, SitePolicy


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    limit, name = lower_limit(method)
    return (
        (
            "measuring range",
            f"{plain(method.range_low)} to {plain(method.range_high)} {method.unit} in the tube",
        ),
        ("printed after <", f"{plain(limit)} {method.unit}, the {name}"),
    )


MEASURING_RANGE = Rule(
    name="measuring_range",
    question="Does the tube read inside the measuring range?",
    formula="lower limit <= value in the tube <= upper end of the range. Below, the limit x "
    "factor is stated after <; above, the upper end x factor after >, since above the "
    "range a display is no number",
    outcomes=(
        ("inside", PASS),
        ("below the printed limit, undiluted", PASS),
        ("below the printed limit although diluted", CAUTION),
        ("below the limit that is not printed, but stated as a number", CAUTION),
        ("below zero, and the method states no lower limit", HOLD),
        ("above the range", HOLD),
    ),
    source="limits of the method; stating a limit times the factor: common practice, no source",
    parameters=_parameters,
)


def judge_range(run: RunCase, tube: TubeCase) -> Finding | None:
    """Set the tube's stated value and censoring, and return how it lies to the range."""
    method, factor = run.method, tube.factor
    diluted = factor != 1
    high = times(run.high, factor) if diluted else run.high
    gross, net = tube.gross, tube.net
    if tube.shown == ">" or (gross is not None and gross > high):
        return _above(run, tube, high)
    lower, name = run.low, run.low_name
    low = times(lower, factor) if diluted else lower
    if tube.shown == "<" or (net is not None and net < low):
        return _below(run, tube, low, lower, name)
    if net is None:
        return None
    tube.value = net
    unit = method.unit
    in_tube = short_quotient(net, factor)
    other = other_lower_limit(method)
    if other is not None and net < times(other[0], factor):
        return MEASURING_RANGE.answer(
            CAUTION,
            f"Tube {tube.position} reads {in_tube} {unit}, below the {other[1]} of "
            f"{plain(other[0])} {unit}; the number is stated, but is less certain than usual.",
            position=tube.position,
            observed=f"{in_tube} {unit}",
            limit=f">= {plain(other[0])} {unit}",
        )
    return MEASURING_RANGE.answer(
        PASS,
        f"Tube {tube.position} reads {in_tube} {unit}, inside {run.range_text}.",
        position=tube.position,
        observed=f"{in_tube} {unit}",
        limit=run.range_text,
    )


def _above(run: RunCase, tube: TubeCase, high: Exact) -> Finding:
    # The instrument's own bound counts where it claims less than the method does.
    bound = high
    if tube.shown == ">" and tube.gross is not None and tube.gross < high:
        bound = tube.gross
    tube.value, tube.censored = bound, ">"
    method = run.method
    shown = "more than it can state"
    if not tube.shown and tube.gross is not None:
        shown = f"{short_quotient(tube.gross, tube.factor)} {method.unit}"
    tube.steps.append(f"Above the range: stated as > {plain(bound)} {method.unit}.")
    proposal = propose_dilution(run, tube)
    return MEASURING_RANGE.answer(
        HOLD,
        f"Tube {tube.position} shows {shown}; above {plain(method.range_high)} {method.unit} it "
        f"is no number, only > {plain(bound)} {method.unit} in the sample. {proposal}",
        position=tube.position,
        observed=f"{tube.shown}{shown}" if not tube.shown else "> range",
        limit=f"<= {plain(method.range_high)} {method.unit}",
    )


def _below(run: RunCase, tube: TubeCase, low: Exact, lower: Decimal, name: str) -> Finding:
    method, unit = run.method, run.method.unit
    bound = low
    if tube.shown == "<" and tube.gross is not None and tube.gross > low:
        bound = tube.gross  # the instrument claims less than the method does
    if bound <= 0:
        tube.value = tube.net
        return MEASURING_RANGE.answer(
            HOLD,
            f"Tube {tube.position} reads below zero and {method.name} states no lower limit to "
            "print after <; give the method a quantification limit and replay.",
            position=tube.position,
            observed=f"{plain(tube.net)} {unit}" if tube.net is not None else "< 0",
            limit="lower limit > 0",
        )
    tube.value, tube.censored = bound, "<"
    in_tube = "less than the instrument states"
    if tube.shown != "<" and tube.net is not None:
        in_tube = f"{short_quotient(tube.net, tube.factor)} {unit}"
    tube.steps.append(
        f"Below the {name} of {plain(lower)} {unit} in the tube: stated as "
        f"< {plain(bound)} {unit}."
    )
    if tube.factor == 1:
        return MEASURING_RANGE.answer(
            PASS,
            f"Tube {tube.position} shows {in_tube}, below the {name} of {plain(lower)} {unit}; "
            f"stated as < {plain(bound)} {unit}.",
            position=tube.position,
            observed=in_tube,
            limit=f">= {plain(lower)} {unit}",
        )
    return MEASURING_RANGE.answer(
        CAUTION,
        f"Tube {tube.position} shows {in_tube}, below the {name} of {plain(lower)} {unit}, at a "
        f"dilution factor of {plain(tube.factor)}; stated as < {plain(bound)} {unit}. Repeated "
        "with less dilution it may give a number.",
        position=tube.position,
        observed=in_tube,
        limit=f">= {plain(lower)} {unit}",
    )
