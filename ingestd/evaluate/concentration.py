"""The concentration a tube shows, in the method's unit and in the undiluted sample."""

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, per, plain, short, times
from ingestd.evaluate.rounding import leading_place
from ingestd.evaluate.rules.calibrated import compare_calibrated, compute_concentration
from ingestd.evaluate.rules.dilution import apply_dilution
from ingestd.evaluate.rules.rule import HOLD, PASS, REFUSE, Rule
from parsers.units import Unit, UnitError, conversion_factor, parse_unit

READING_UNIT = Rule(
    name="reading_unit",
    question="Is the reading in the method's unit and basis, or convertible to it?",
    formula="value x conversion factor; an unstated basis is the method's, since the method the "
    "instrument names settles what it determines",
    outcomes=(
        ("same unit", PASS),
        ("converted with the stated factor", PASS),
        ("no unit, neither printed nor declared by the form", HOLD),
        ("not convertible", HOLD),
    ),
    source="standard atomic weights 2021, IUPAC CIAAW, abridged values",
    parameters=lambda method, _site: (("unit", f"{method.unit} {method.basis}".rstrip()),),
)


SAME = Fraction(1)
"""The factor between two spellings of one unit; compared by identity where speed counts."""


@lru_cache(maxsize=1024)
def unit_factor(unit: str, basis: str, to_unit: str, to_basis: str) -> Fraction:
    """Return the exact factor from one unit and basis to another; an empty basis is unstated.

    Raises:
        UnitError: one of the units is unknown, or they do not convert.

    """
    if unit == to_unit and basis == to_basis:
        return Fraction(1)
    return conversion_factor(_unit(unit, basis), _unit(to_unit, to_basis))


def _unit(text: str, basis: str) -> Unit:
    unit = parse_unit(text)
    if unit is None:
        raise UnitError(f"unit {text!r} is not known")
    if not basis or unit.basis == basis:
        return unit
    combined = parse_unit(f"{unit.name} {basis}")
    if combined is None:
        raise UnitError(f"basis {basis!r} is not known")
    return combined


def state_concentration(run: RunCase, tube: TubeCase) -> None:
    """Set the tube's `gross` concentration in the undiluted sample, its token and last place.

    Leaves `gross` at None where a finding says why, or where the display showed a token only.
    """
    reading = tube.counted
    factor = _factor_to_method(run, tube)
    if factor is None:
        return
    printed: Exact | None = reading.value
    if printed is not None and factor is not SAME:
        printed = times(printed, factor)
    tube.shown = reading.censored
    tube.gross = apply_dilution(run, tube, printed)
    computed = compute_concentration(run, tube)
    if computed is not None:
        _take_computed(run, tube, computed)
    if reading.value is None or tube.gross is None:
        return
    exponent = reading.value.as_tuple().exponent
    place = exponent if isinstance(exponent, int) else 0
    # The last digit counts as much more as the value was multiplied; its leading power of ten
    # is the coarsest step that claims no more than was printed.
    if factor is not SAME:
        place += leading_place(
            factor if reading.dilution_applied else Fraction(tube.factor) * factor
        )
    elif not reading.dilution_applied:
        place += tube.factor.adjusted()
    tube.place = place
    shown = f"{reading.censored}{plain(reading.value)} {reading.unit}"
    tube.steps.append(f"Reading {reading.id} of {reading.instrument} shows {shown}.")
    if factor is not SAME:
        tube.steps.append(f"Times {short(factor)} to {run.method.unit} {run.method.basis}.")
    if tube.factor != 1:
        if reading.dilution_applied:
            tube.steps.append(
                f"The instrument has applied the dilution factor {plain(tube.factor)}: "
                f"{plain(tube.gross)} {run.method.unit} in the sample."
            )
        else:
            tube.steps.append(
                f"Times the dilution factor {plain(tube.factor)}: "
                f"{plain(tube.gross)} {run.method.unit} in the sample."
            )


def _take_computed(run: RunCase, tube: TubeCase, computed: Fraction) -> None:
    """Compare the computed concentration with the instrument's, or use it where there is none."""
    reading = tube.counted
    if reading.censored:
        return
    if reading.value is not None:
        if tube.gross is not None:
            compare_calibrated(run, tube, computed, per(tube.gross, tube.factor))
        return
    if any(f.verdict is HOLD or f.verdict is REFUSE for f in tube.findings):
        return  # the dilution is in doubt
    tube.gross = times(computed, tube.factor)
    # No digit was printed; three significant ones are what an absorbance is read to.
    tube.place = leading_place(tube.gross) - 2 if tube.gross else 0
    tube.steps.append(
        f"Calibration {run.method.calibration} gives {short(computed)} {run.method.unit} in the "
        f"tube for an absorbance of {plain(reading.absorbance or Decimal(0))}."
    )
    if tube.factor != 1:
        tube.steps.append(
            f"Times the dilution factor {plain(tube.factor)}: {short(tube.gross)} "
            f"{run.method.unit} in the sample."
        )


def _factor_to_method(run: RunCase, tube: TubeCase) -> Fraction | None:
    """Return the factor from the reading's unit to the method's, None where a hold says why."""
    reading, method = tube.counted, run.method
    position = tube.position
    if not reading.unit and reading.value is None:
        return SAME  # only an absorbance, or a token that stands for the method's own limit
    if not reading.unit:
        tube.findings.append(
            READING_UNIT.answer(
                HOLD,
                f"The reading of tube {position} has no unit, neither printed nor declared by "
                f"its form, so it is not known to be in {method.unit}; mend the form and replay.",
                position=position,
                observed="no unit",
                limit=method.unit,
            )
        )
        return None
    if reading.unit == method.unit and (
        reading.basis is None or reading.basis == method.basis or not method.basis
    ):
        return SAME
    basis = reading.basis or method.basis
    # A method that states no basis takes the reading's own, and the unit alone must fit.
    to_basis = method.basis or basis
    try:
        factor = unit_factor(reading.unit, basis, method.unit, to_basis)
    except UnitError as impossible:
        has = f"{reading.unit} {reading.basis or ''}".rstrip()
        wanted = f"{method.unit} {method.basis}".rstrip()
        tube.findings.append(
            READING_UNIT.answer(
                HOLD,
                f"The reading of tube {position} is in {has} and cannot be turned into {wanted} "
                f"({impossible}); check the method set in the instrument, and the form.",
                position=position,
                observed=has,
                limit=wanted,
            )
        )
        return None
    if factor == 1:
        return SAME
    tube.findings.append(
        READING_UNIT.answer(
            PASS,
            f"The reading of tube {position} in {reading.unit} {basis} is converted to "
            f"{method.unit} {to_basis} with the factor {short(factor)}.",
            position=position,
            observed=f"{reading.unit} {basis}".rstrip(),
            limit=f"{method.unit} {to_basis}".rstrip(),
        )
    )
    return factor
