"""Whether parts of one sample are no larger than the whole they are part of."""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from ingestd.evaluate.case import RunCase
from ingestd.evaluate.concentration import unit_factor
from ingestd.evaluate.figures import short
from ingestd.evaluate.rules.rule import CAUTION, PASS, Rule
from ingestd.evaluate.statistics.spread import square_root
from ingestd.model import Finding, SampleValue
from parsers.units import UnitError

UNKNOWN_UNCERTAINTY = Fraction(1, 10)


@dataclass(frozen=True, slots=True, kw_only=True)
class SumCheck:
    """Parts that together cannot exceed a whole, all on one basis.

    A term is (analyte, fraction); an empty fraction is any.
    """

    parts: tuple[tuple[str, str], ...]
    whole: tuple[str, str]
    basis: str
    words: str


SUM_CHECK_LIST = (
    SumCheck(
        parts=(("cod", "filtered"),),
        whole=("cod", "total"),
        basis="O2",
        words="filtered COD <= total COD",
    ),
    SumCheck(
        parts=(("bod5", ""),),
        whole=("cod", "total"),
        basis="O2",
        words="BOD5 <= COD",
    ),
    SumCheck(
        parts=(("ammonium", ""), ("nitrate", ""), ("nitrite", "")),
        whole=("total nitrogen", ""),
        basis="N",
        words="ammonium-N + nitrate-N + nitrite-N <= total N",
    ),
    SumCheck(
        parts=(("phosphate", ""),),
        whole=("total phosphorus", ""),
        basis="P",
        words="phosphate-P <= total P",
    ),
)

_NAMES = {
    "cod": "cod",
    "chemical oxygen demand": "cod",
    "bod5": "bod5",
    "bod": "bod5",
    "ammonium": "ammonium",
    "ammonia": "ammonium",
    "nitrate": "nitrate",
    "nitrite": "nitrite",
    "total nitrogen": "total nitrogen",
    "nitrogen": "total nitrogen",
    "tn": "total nitrogen",
    "phosphate": "phosphate",
    "orthophosphate": "phosphate",
    "total phosphorus": "total phosphorus",
    "phosphorus": "total phosphorus",
    "tp": "total phosphorus",
}
"""How a laboratory may name an analyte in its methods, in lower case."""

SUM_CHECKS = Rule(
    name="sum_check",
    question="Are the parts of a sample no larger than the whole?",
    formula="sum of parts - whole <= root of the summed squares of their expanded uncertainties; "
    "10 % of a value stands for an uncertainty that is not known; values below a limit count "
    "as nothing among the parts, and as their limit as a whole. Checked: "
    + "; ".join(check.words for check in SUM_CHECK_LIST),
    outcomes=(("no larger, within uncertainty", PASS), ("larger", CAUTION)),
    source="what a part is to its whole; combination in squares: JCGM 100 (GUM) 5.1.2",
    parameters=lambda _method, _site: (("uncertainty where not known", "10 % of the value"),),
)


def analyte_name(text: str) -> str:
    """Return the one name under which sum checks know the analyte, "" if they do not."""
    return _NAMES.get(text.casefold(), "")


def check_sums(run: RunCase, own: SampleValue) -> list[Finding]:
    """Return what the sum checks say of a sample of which this run determined one analyte."""
    others = [c for c in run.facts.companions if c.sample == own.sample]
    if not others:
        return []
    known: dict[tuple[str, str], SampleValue] = {}
    for value in sorted(others, key=lambda v: (v.at, str(v.value))):
        name = analyte_name(value.analyte)
        if name:
            known[name, value.fraction] = value  # the newest of several stands
    mine = analyte_name(own.analyte)
    known[mine, own.fraction] = own
    findings = []
    for check in SUM_CHECK_LIST:
        if mine == check.whole[0] or any(mine == part for part, _ in check.parts):
            finding = _check(check, known, own)
            if finding is not None:
                findings.append(finding)
    return findings


def _term(known: dict[tuple[str, str], SampleValue], term: tuple[str, str]) -> SampleValue | None:
    name, fraction = term
    if fraction:
        return known.get((name, fraction))
    return known.get((name, "total")) or known.get((name, "filtered"))


def _check(
    check: SumCheck, known: dict[tuple[str, str], SampleValue], own: SampleValue
) -> Finding | None:
    whole = _term(known, check.whole)
    parts = [p for p in (_term(known, term) for term in check.parts) if p is not None]
    if whole is None or whole.censored == ">" or not parts:
        return None
    if own is not whole and not any(own is part for part in parts):
        return None
    try:
        amount, square = _on_basis(whole, check.basis)
        total = Fraction(0)
        for part in parts:
            value, part_square = _on_basis(part, check.basis)
            if part.censored != "<":
                total += value
                square += part_square
    except UnitError:
        return None  # no common basis, so nothing can be compared
    excess = total - amount
    allowed = square_root(square)
    observed = f"{short(total)} mg/L of {short(amount)} mg/L"
    limit = f"<= {short(amount)} + {short(allowed)} mg/L"
    what = " + ".join(f"{p.analyte} ({p.fraction})" for p in parts)
    text = (
        f"Sample {own.sample}: {what} is {short(total)} mg/L, {whole.analyte} ({whole.fraction}) "
        f"is {'< ' if whole.censored else ''}{short(amount)} mg/L, both as {check.basis}"
    )
    if excess > allowed:
        return SUM_CHECKS.answer(
            CAUTION,
            f"{text}; the parts exceed the whole by more than their uncertainty of "
            f"{short(allowed)} mg/L. One of them is wrong, or of another sample.",
            observed=observed,
            limit=limit,
        )
    return SUM_CHECKS.answer(PASS, f"{text}; that fits together.", observed=observed, limit=limit)


def _on_basis(value: SampleValue, basis: str) -> tuple[Fraction, Fraction]:
    """Return the value in mg/L on the basis, and the square of its expanded uncertainty."""
    factor = unit_factor(value.unit, value.basis or basis, "mg/L", basis)
    amount = Fraction(value.value) * factor
    if value.uncertainty is None:
        return amount, (amount * UNKNOWN_UNCERTAINTY) ** 2
    return amount, (Fraction(value.uncertainty) * factor) ** 2


def as_sample_value(
    run: RunCase,
    sample: str,
    value: Decimal,
    censored: Literal["", "<", ">"],
    uncertainty: Decimal | None,
) -> SampleValue:
    """Return a result of this run in the shape of its companions from other runs."""
    method = run.method
    return SampleValue(
        sample=sample,
        analyte=method.analyte,
        fraction=method.fraction,
        basis=method.basis,
        value=value,
        censored=censored,
        unit=method.unit,
        uncertainty=uncertainty,
        at=run.run.started_at,
    )
