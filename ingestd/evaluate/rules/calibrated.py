"""The concentration an absorbance stands for, and whether the instrument agrees."""

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, plain, short
from ingestd.evaluate.limits_in_tube import lower_limit
from ingestd.evaluate.rules.rule import HOLD, PASS, Parameters, Rule
from ingestd.evaluate.statistics.calibration import calibrate, concentration_from
from ingestd.model import Calibration, Method, SitePolicy

AGREEMENT_PERCENT = Decimal(5)


def _allowed(method: Method, computed: Fraction) -> Fraction:
    floor = max(lower_limit(method)[0] / 2, method.range_high / 100)
    return max(abs(computed) * Fraction(AGREEMENT_PERCENT) / 100, Fraction(floor))


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    floor = max(lower_limit(method)[0] / 2, method.range_high / 100)
    return (
        ("calibration", method.calibration or "none: the instrument's own concentration counts"),
        ("agreement", f"{plain(AGREEMENT_PERCENT)} %, at least {plain(floor)} {method.unit}"),
    )


CALIBRATION = Rule(
    name="calibration",
    question="Does the concentration follow from the absorbance by the method's calibration?",
    formula="least-squares line or second-order curve through the calibration's points, solved "
    "for the absorbance less the reagent blank; the instrument's concentration must agree "
    "within 5 % or half the lower limit or 1 % of the range, whichever is most",
    outcomes=(
        ("computed, or agrees with the instrument", PASS),
        ("no calibration on record, or not valid on the day of the run", HOLD),
        ("only an absorbance, and the method has no calibration", HOLD),
        ("the curve never reaches the absorbance", HOLD),
        ("instrument and calibration disagree: a wrong method was selected", HOLD),
    ),
    source="ISO 8466-1 and ISO 8466-2 (calibration function); agreement: common practice, "
    "no source",
    parameters=_parameters,
)


@lru_cache(maxsize=256)
def coefficients_of(calibration: Calibration) -> tuple[Fraction, ...]:
    """Return the exact coefficients of a calibration, constant first.

    Raises:
        ValueError: its points do not settle them.

    """
    return tuple(
        calibrate(
            [point.concentration for point in calibration.points],
            [point.absorbance for point in calibration.points],
            order=calibration.order,
        ).coefficients
    )


def compute_concentration(run: RunCase, tube: TubeCase) -> Fraction | None:
    """Return the concentration in the tube that the absorbance stands for, method's unit.

    None where the method has no calibration, nothing was printed, or a hold says why.
    """
    reading, method, position = tube.counted, run.method, tube.position
    if reading.absorbance is None:
        return None
    alone = reading.value is None and not reading.censored
    if method.calibration is None:
        if alone:
            tube.findings.append(
                CALIBRATION.answer(
                    HOLD,
                    f"Tube {position} shows only an absorbance, and {method.name} has no "
                    "calibration; give it one, or let the instrument print concentrations.",
                    position=position,
                    observed=f"absorbance {plain(reading.absorbance)}",
                    limit="a calibration",
                )
            )
        return None
    calibration = run.facts.calibrations.get(method.calibration)
    day = run.day
    if (
        calibration is None
        or calibration.method != method.name
        or not calibration.valid_from <= day <= calibration.valid_until
    ):
        state = "is not on record"
        if calibration is not None:
            state = f"is valid {calibration.valid_from} to {calibration.valid_until}"
            if calibration.method != method.name:
                state = f"is of {calibration.method}"
        tube.findings.append(
            CALIBRATION.answer(
                HOLD,
                f"Calibration {method.calibration} {state}, the run of {method.name} is of {day}; "
                "calibrate anew.",
                position=position,
                observed=state,
                limit=f"valid on {day}",
            )
        )
        return None
    try:
        return concentration_from(
            coefficients_of(calibration),
            reading.absorbance,
            blank=calibration.reagent_blank or Decimal(0),
        )
    except ValueError as unreachable:
        tube.findings.append(
            CALIBRATION.answer(
                HOLD,
                f"Calibration {calibration.name} gives no concentration for tube {position}: "
                f"{unreachable}.",
                position=position,
                observed=f"absorbance {plain(reading.absorbance)}",
                limit=calibration.name,
            )
        )
        return None


def compare_calibrated(run: RunCase, tube: TubeCase, computed: Fraction, shown: Exact) -> None:
    """Add whether the instrument's concentration in the tube agrees with the computed one."""
    method, position = run.method, tube.position
    allowed = _allowed(method, computed)
    unit = method.unit
    agrees = abs(computed - Fraction(shown)) <= allowed
    text = (
        f"Tube {position} shows {short(shown)} {unit}; calibration {method.calibration} gives "
        f"{short(computed)} {unit} for its absorbance"
    )
    tube.findings.append(
        CALIBRATION.answer(
            PASS if agrees else HOLD,
            f"{text}, which agrees."
            if agrees
            else f"{text}, further apart than {short(allowed)} {unit}: the instrument was set to "
            "another method, or its calibration was changed. Find out which, and read again.",
            position=position,
            observed=f"{short(shown)} {unit}",
            limit=f"{short(computed)} ± {short(allowed)} {unit}",
        )
    )
