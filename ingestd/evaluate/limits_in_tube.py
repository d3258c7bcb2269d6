"""The limits between which a method states a number, in the tube, and in which words."""

from decimal import Decimal

from ingestd.model import Method


def lower_limit(method: Method) -> tuple[Decimal, str]:
    """Return the limit printed after `<`, in the tube, and its name."""
    if method.below_is == "quantification" and method.quantification_limit is not None:
        return method.quantification_limit, "quantification limit"
    return method.range_low, "lower end of the measuring range"


def other_lower_limit(method: Method) -> tuple[Decimal, str] | None:
    """Return the lower limit that is not printed, and its name; None if there is none."""
    if method.quantification_limit is None:
        return None
    if method.below_is == "quantification":
        return method.range_low, "lower end of the measuring range"
    return method.quantification_limit, "quantification limit"
