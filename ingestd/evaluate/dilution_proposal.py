"""The least dilution at which a sample should fall into the measuring range."""

from decimal import Decimal
from fractions import Fraction
from math import ceil

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, per, plain, short
from ingestd.evaluate.limits_in_tube import lower_limit
from ingestd.evaluate.rules.interferents import chloride_of, in_mg_l

USUAL_FACTORS = tuple(
    Decimal(f) for f in (2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000, 10000)
)
"""Factors a laboratory pipettes without arithmetic (common practice, no source)."""

UPPER_SHARE = Decimal("0.8")
"""An expected value is aimed at no more than this share of the range, to leave room for error
(common practice, no source)."""


def usual_factor(at_least: Exact) -> Decimal:
    """Return the least usual factor that is not below the wanted one.

    Above the largest usual factor the wanted one itself is returned, rounded up to a whole.
    """
    for factor in USUAL_FACTORS:
        if factor >= at_least:
            return factor
    return Decimal(ceil(at_least))


def least_factor_above(current: Decimal) -> Decimal:
    """Return the least usual factor greater than the current one."""
    return next((f for f in USUAL_FACTORS if f > current), current * 10)


def propose_dilution(run: RunCase, tube: TubeCase) -> str:
    """Return the proposal for repeating an over-range tube, as a sentence.

    An expected value gives a dilution to aim at; without one only a least dilution can be
    named, since a display above the range is no number. Chloride can ask for more.
    """
    method, expected = run.method, tube.tube.expected
    chloride = chloride_of(run, tube)
    for_chloride = Decimal(1)
    if run.chloride is not None and chloride is not None:
        for_chloride = max(for_chloride, chloride / in_mg_l(run.chloride))
    if expected is not None and expected > method.range_high * tube.factor:
        wanted = max(expected / (method.range_high * UPPER_SHARE), for_chloride)
        factor = usual_factor(wanted)
        text = (
            f"Expected {plain(expected)} {method.unit}: repeat at a factor of {plain(factor)} "
            f"(1+{plain(factor - 1)}), about {short(expected / factor)} {method.unit} in the tube."
        )
        if expected / factor < lower_limit(method)[0]:
            text += " That is below the method's lower limit; use another range or method."
        return text
    factor = max(least_factor_above(tube.factor), usual_factor(for_chloride))
    text = f"Repeat at a factor of at least {plain(factor)} (1+{plain(factor - 1)})"
    if tube.gross is not None and not tube.shown:
        apparent = usual_factor(max(per(tube.gross, method.range_high), Fraction(for_chloride)))
        if apparent > factor:
            text = f"Repeat at a factor of at least {plain(apparent)} (1+{plain(apparent - 1)})"
    if for_chloride > 1:
        text += f"; chloride alone asks for {short(for_chloride)}"
    return text + "."
