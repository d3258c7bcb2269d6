"""Whether another run's result of the same sample and analyte agrees with this one."""

from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.case import RunCase
from ingestd.evaluate.concentration import unit_factor
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.rules.rule import CAUTION, PASS, Rule
from ingestd.evaluate.statistics.recovery import dilutions_agree
from ingestd.model import Finding, SampleValue
from parsers.units import UnitError

UNKNOWN_UNCERTAINTY = Fraction(1, 10)

EARLIER_RESULT = Rule(
    name="earlier_result",
    question="Does another run's result of the same sample and analyte agree?",
    formula="|this - other| <= root of the summed squares of their expanded uncertainties; 10 % "
    "of a value stands for one that is not known",
    outcomes=(
        ("they agree", PASS),
        ("they do not: interference, a wrong dilution, or a changed sample", CAUTION),
    ),
    source="E_n no larger than 1, ISO 13528 (from memory); a dilution series that does not agree "
    "points to interference: common practice, no source",
    parameters=lambda _method, _site: (("uncertainty where not known", "10 % of the value"),),
)


def compare_earlier(
    run: RunCase, sample: str, value: Decimal, uncertainty: Decimal | None
) -> list[Finding]:
    """Return one answer for every other run's number of the sample and analyte."""
    method = run.method
    own = (value, _uncertainty(Fraction(value), uncertainty))
    findings = []
    others = [
        c
        for c in run.facts.companions
        if c.sample == sample
        and not c.censored
        and c.analyte == method.analyte
        and c.fraction == method.fraction
    ]
    for other in sorted(others, key=_when):
        basis = other.basis or method.basis
        try:
            factor = unit_factor(other.unit, basis, method.unit, method.basis or basis)
        except UnitError:
            continue  # another quantity: nothing to compare
        amount = Fraction(other.value) * factor
        spread = None if other.uncertainty is None else Fraction(other.uncertainty) * factor
        agree = dilutions_agree([own, (amount, _uncertainty(amount, spread))])
        text = (
            f"Sample {sample} is {plain(value)} {method.unit} here and {short(amount)} "
            f"{method.unit} in another run"
        )
        findings.append(
            EARLIER_RESULT.answer(
                PASS if agree else CAUTION,
                f"{text}; they agree."
                if agree
                else f"{text}, further apart than their uncertainties: an interference, a wrong "
                "dilution, or a sample that changed. Choose between them only once it is known.",
                observed=f"{plain(value)} {method.unit}",
                limit=f"{short(amount)} {method.unit}",
            )
        )
    return findings


def _uncertainty(value: Fraction, known: Decimal | Fraction | None) -> Fraction:
    return abs(value) * UNKNOWN_UNCERTAINTY if known is None else Fraction(known)


def _when(value: SampleValue) -> tuple[object, ...]:
    return value.at, value.value
