"""Whether the control standards of the run were found again."""

from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.concentration import unit_factor
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.rules.control import unusable
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Parameters, Rule
from ingestd.model import ControlStandard, Finding, Method, Role, SitePolicy
from parsers.units import UnitError


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    limits = method.limits
    return (("recovery", f"{plain(limits.recovery_low)} to {plain(limits.recovery_high)} %"),)


CONTROL_STANDARD = Rule(
    name="control_standard",
    version=2,
    question="Was the control standard found again?",
    formula="recovery = found / nominal x 100 %, nominal = certified value / preparation factor; "
    "lowest <= recovery <= highest, or |found - nominal| <= the certificate's own ± U",
    outcomes=(
        ("found inside the limits", PASS),
        ("the certificate's ± U is wider than the laboratory's limits", CAUTION),
        ("not independent of the calibration it is to check", CAUTION),
        ("found outside the limits", HOLD),
        ("its lot is unknown, expired, or of another analyte", HOLD),
        ("the control tube itself cannot be used", HOLD),
    ),
    source="recovery in percent: 100 x found / nominal, common practice, no source; limits of the "
    "method and of the certificate",
    parameters=_parameters,
)


def judge_control_standards(run: RunCase) -> None:
    """Add a finding for every control standard that has a reading."""
    for tube in run.of_role(Role.CONTROL_STANDARD):
        if tube.is_to_answer:
            run.findings.append(_judge(run, tube))


def nominal_of(method: Method, standard: ControlStandard) -> tuple[Fraction, Fraction]:
    """Return the nominal value and its ± U as prepared, in the method's unit and basis.

    Raises:
        UnitError: the certificate's unit does not convert to the method's.

    """
    basis = standard.basis or method.basis
    factor = unit_factor(standard.unit, basis, method.unit, method.basis or basis)
    prepared = factor / Fraction(standard.preparation_factor)
    return Fraction(standard.value) * prepared, (
        Fraction(standard.expanded_uncertainty) * prepared
    )


def _judge(run: RunCase, tube: TubeCase) -> Finding:
    method, position = run.method, tube.position
    name = tube.tube.standard
    standard = run.facts.standards.get(name)
    if standard is None:
        return CONTROL_STANDARD.answer(
            HOLD,
            f"Control standard {name!r} at position {position} is not on record; load its lot.",
            position=position,
            observed=name or "none",
            limit="a lot on record",
        )
    if standard.analyte.casefold() != method.analyte.casefold():
        return CONTROL_STANDARD.answer(
            HOLD,
            f"Control standard {name} at position {position} is of {standard.analyte}, the run "
            f"determines {method.analyte}; correct the plan or repeat with the right standard.",
            position=position,
            observed=standard.analyte,
            limit=method.analyte,
        )
    if run.day > standard.expires:
        return CONTROL_STANDARD.answer(
            HOLD,
            f"Control standard {name} at position {position} expired on {standard.expires}, the "
            f"run is of {run.day}; repeat the run with one in date.",
            position=position,
            observed=f"run {run.day}",
            limit=f"<= {standard.expires}",
        )
    held = unusable(CONTROL_STANDARD, tube, "control standard")
    if held is not None:
        return held
    try:
        nominal, uncertainty = nominal_of(method, standard)
    except UnitError as impossible:
        return CONTROL_STANDARD.answer(
            HOLD,
            f"The certificate of control standard {name} cannot be turned into {method.unit} "
            f"{method.basis} ({impossible}); correct its unit or basis.",
            position=position,
            observed=f"{standard.unit} {standard.basis}".rstrip(),
            limit=f"{method.unit} {method.basis}".rstrip(),
        )
    if tube.value is None or tube.censored:
        return CONTROL_STANDARD.answer(
            HOLD,
            f"Control standard {name} at position {position} reads outside the measuring range "
            f"(nominal {short(nominal)} {method.unit}); prepare one inside it and repeat the run.",
            position=position,
            observed=f"{tube.censored} range".strip(),
            limit=f"{short(nominal)} {method.unit}",
        )
    return _compare(run, tube, standard, nominal, uncertainty)


def _compare(
    run: RunCase,
    tube: TubeCase,
    standard: ControlStandard,
    nominal: Fraction,
    uncertainty: Fraction,
) -> Finding:
    name, independent = standard.lot, standard.independent
    method, limits, position = run.method, run.method.limits, tube.position
    found = Fraction(tube.value or 0)
    recovery = found * 100 / nominal
    unit = method.unit
    observed = f"{short(recovery)} %"
    allowed = f"{plain(limits.recovery_low)} to {plain(limits.recovery_high)} %"
    text = (
        f"Control standard {name} at position {position}: found {short(found)} of "
        f"{short(nominal)} {unit}, {short(recovery)} %"
    )
    certificate = abs(found - nominal) <= uncertainty
    inside = limits.recovery_low <= recovery <= limits.recovery_high
    width = uncertainty * 100 / nominal
    if inside and width > max(limits.recovery_high - 100, 100 - limits.recovery_low):
        return CONTROL_STANDARD.answer(
            CAUTION,
            f"{text}, inside {allowed}, but its certificate is no better than ± {short(width)} %; "
            "a better certified standard would say more.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    if inside and method.calibration is not None and not independent:
        return CONTROL_STANDARD.answer(
            CAUTION,
            f"{text}, inside {allowed}, but it is not independent of calibration "
            f"{method.calibration}: an error of the common stock would show in neither. Use a "
            "standard of another source.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    if inside:
        within = "inside" if certificate else "outside"
        extra = (
            f", {within} the certificate's ± {short(uncertainty)} {unit}" if uncertainty else ""
        )
        return CONTROL_STANDARD.answer(
            PASS,
            f"{text}, inside {allowed}{extra}.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    if certificate:
        return CONTROL_STANDARD.answer(
            CAUTION,
            f"{text}, outside {allowed} but inside the certificate's ± {short(uncertainty)} "
            f"{unit}; a better certified standard would say more.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    return CONTROL_STANDARD.answer(
        HOLD,
        f"{text}, outside {allowed}; no result of this run can be trusted. Find the cause "
        "(standard, pipette, lot, instrument) and repeat the run.",
        position=position,
        observed=observed,
        limit=allowed,
    )
