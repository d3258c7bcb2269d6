"""Dilution notation: `1+9`, `x10`, `×10`, `10`, `2.5`, and steps joined by `then`."""

import re
from decimal import Decimal
from fractions import Fraction
from math import prod
from typing import Literal

from ingestd.model import UNDILUTED, Dilution
from ingestd.plan.faults import ValueRefused
from ingestd.plan.quantities import exact_decimal, parse_quantity

OneToN = Literal["total", "parts"]

LARGEST_FACTOR = 1_000_000
MOST_STEPS = 6

_THEN = re.compile(r" then ", re.IGNORECASE)
_VOLUMES = re.compile(r"([^+:]+)([+:])([^+:]+)")
_TIMES = re.compile(r"[x×]\s*(.+)", re.IGNORECASE)


def parse_dilution(text: str, one_to_n: OneToN | None = None) -> Dilution:
    """Return the total factor of a dilution as written, with the factor of each step.

    `a+b` is a volumes made up with b volumes, a factor of (a + b) / a. `x10`, `×10` and `10`
    are factors. `1+9 then 1+4` is two steps, a factor of 50. Factors are exact: a ratio of
    volumes that no decimal number equals (3+7) is refused rather than cut off.

    Args:
        text: as written, e.g. `1+9`.
        one_to_n: what `1:10` means to the laboratory: 10 in all ("total", a factor of 10),
            10 added ("parts", a factor of 11), or None: refused.

    Raises:
        ValueRefused: another notation, a factor below 1 or above 1,000,000, more than 6 steps.

    Source: `1+9` and factors are common practice, no source; that `1:10` is read in two ways
    likewise.

    """
    written = " ".join(text.split())
    if written == UNDILUTED.text:
        return UNDILUTED
    parts = _THEN.split(written)
    if len(parts) > MOST_STEPS:
        raise ValueRefused(
            f"{len(parts)} dilution steps are more than {MOST_STEPS}",
            "check the text, or write the total factor",
        )
    steps = [_factor_of_step(part, one_to_n) for part in parts]
    total = prod(steps, start=Fraction(1))
    if total > LARGEST_FACTOR:
        raise ValueRefused(
            f"the dilution factor is above {LARGEST_FACTOR}", "check the text for a slip"
        )
    return Dilution(
        text=written,
        factor=_decimal(total, written),
        steps=tuple(_decimal(f, written) for f in steps),
    )


def _factor_of_step(step: str, one_to_n: OneToN | None) -> Fraction:
    if volumes := _VOLUMES.fullmatch(step):
        factor = _factor_of_volumes(volumes[1].strip(), volumes[2], volumes[3].strip(), one_to_n)
    elif times := _TIMES.fullmatch(step):
        factor = Fraction(_number(times[1]))
    else:
        factor = Fraction(_number(step))
    if factor < 1:
        raise ValueRefused(
            "the dilution factor is below 1, and no dilution makes a sample stronger",
            "write the factor by which the sample was diluted, 1 for an undiluted one",
        )
    return factor


def _factor_of_volumes(sample: str, sign: str, other: str, one_to_n: OneToN | None) -> Fraction:
    taken, second = Fraction(_number(sample)), Fraction(_number(other))
    if taken == 0:
        raise ValueRefused("no sample was taken into the dilution", "write it such as 1+9")
    added = (taken + second) / taken
    if sign == "+" or one_to_n == "parts":
        return added
    in_all = second / taken
    if one_to_n == "total":
        return in_all
    raise ValueRefused(
        f"{sample}:{other} is a factor of {_words(in_all)} in some laboratories "
        f"and of {_words(added)} in others",
        "write the volumes (1+9) or the factor (x10), or have the site's configuration say "
        "what it means (one_to_n)",
    )


def _number(text: str) -> Decimal:
    try:
        return parse_quantity(text)
    except ValueRefused as refused:
        if "," in text:
            raise
        raise ValueRefused(
            "this is not a dilution", "write it as 1+9, x10, 10, 2.5 or 1+9 then 1+4"
        ) from refused


def _decimal(factor: Fraction, written: str) -> Decimal:
    exact = exact_decimal(factor)
    # A factor must be writable as a plain number again: nine decimals are the most there are.
    if exact is None or (factor * 10**9).denominator != 1:
        raise ValueRefused(
            f"{written} is a factor of {factor}, which no number of nine decimals states exactly",
            "choose volumes that give one (1+2, 2+3), or write the factor you mean",
        )
    return exact


def _words(factor: Fraction) -> str:
    exact = exact_decimal(factor)
    return str(factor) if exact is None else format(exact, "f")
