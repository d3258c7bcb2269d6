"""The expanded uncertainty of results, from the laboratory's own controls.

Relative throughout: percent of the value. Scatter of the control standard over time, with the
scatter of duplicates of real samples added in squares since a control standard has neither
particles nor matrix; bias from the standard's mean against its nominal value.

Every quotient here is taken to 50 digits and rounded once when a result is stated: exact ratios
over a long history would cost more than all rules together and change no printed digit.

Source: Nordtest TR 537 and ISO 11352 (from memory); arithmetic checked against the exact
functions of `uncertainty`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Context, Decimal, localcontext

from ingestd.evaluate.rules.rule import PASS, Parameters, Rule
from ingestd.model import ControlPoint, Method, Role, SitePolicy

_FINE = Context(prec=50)
_D2 = Decimal("1.128")
_NORMAL_95 = Decimal("1.96")
COVERAGE = Decimal(2)
FEWEST_STANDARDS = 8
FEWEST_PAIRS = 8


def _parameters(_method: Method, _site: SitePolicy) -> Parameters:
    return (
        ("fewest control standards", str(FEWEST_STANDARDS)),
        ("fewest duplicates", str(FEWEST_PAIRS)),
        ("coverage factor", str(COVERAGE)),
        ("tolerance of glassware, triangular", "tolerance / root 6"),
        ("tolerance of glassware, rectangular", "tolerance / root 3"),
        ("of several diluted tubes", "the least certain dilution"),
    )


UNCERTAINTY = Rule(
    name="uncertainty",
    version=2,
    question="How uncertain is the result, by the laboratory's own controls and its dilution?",
    formula="U = 2 x root(s_standard^2 + s_duplicates^2 + bias^2 + s_standard^2/n + u_nominal^2 "
    "+ u_dilution^2), all in percent; s_duplicates = mean relative range / 1.128. u_dilution of "
    "a step made up to a mark = root((u_aliquot/aliquot)^2 + (u_flask/flask)^2), with diluent "
    "added = (1 - 1/factor) x root((u_aliquot/aliquot)^2 + (u_diluent/diluent)^2); of several "
    "steps the root of the sum of squares. Said to be missing where there are too few controls, "
    "and said not to be in the figure where the plan does not say how a dilution is made",
    outcomes=(("stated, or said to be missing", PASS),),
    source="Nordtest TR 537 and ISO 11352 (formulas from memory); dilution: JCGM 100 (GUM) "
    "4.3.7, 4.3.9, 5.1.2 and 5.1.6, Eurachem/CITAC QUAM examples A1 (flask 100 mL ± 0.1 mL, "
    "triangular: 0.04 mL) and A2 (burette 20 mL ± 0.03 mL, triangular: 0.012 mL) (from memory); "
    "smallest numbers and the least certain of several dilutions: common practice, no source",
    parameters=_parameters,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnUncertainty:
    """Expanded relative uncertainty in percent (None: too few data) and a sentence about it."""

    percent: Decimal | None
    sentence: str


NOT_STATED = OwnUncertainty(percent=None, sentence="No uncertainty is stated.")


def own_uncertainty(
    history: Sequence[ControlPoint], nominal: Decimal | None, half_interval: Decimal
) -> OwnUncertainty:
    """Return the relative expanded uncertainty (k = 2) that the history supports.

    Args:
        history: earlier control values of the method, any order.
        nominal: of the control standard in use, method's unit; None: the one most on record.
        half_interval: its certificate's ± U (95 %), same unit.

    """
    with localcontext(_FINE):
        return _from_history(history, nominal, half_interval)


def _from_history(
    history: Sequence[ControlPoint], nominal: Decimal | None, half_interval: Decimal
) -> OwnUncertainty:
    by_nominal: dict[Decimal, list[Decimal]] = {}
    ranges: list[Decimal] = []
    for point in history:
        if point.role is Role.CONTROL_STANDARD and point.nominal:
            by_nominal.setdefault(point.nominal, []).append(point.value)
        elif point.role is Role.DUPLICATE and point.partner is not None:
            total = point.value + point.partner
            if total > 0:
                ranges.append(200 * abs(point.value - point.partner) / total)
    level = _level(by_nominal, nominal)
    values = by_nominal[level] if level is not None else []
    if level is None or len(values) < FEWEST_STANDARDS or len(ranges) < FEWEST_PAIRS:
        return OwnUncertainty(
            percent=None,
            sentence=f"No uncertainty is stated: {len(values)} control standards and "
            f"{len(ranges)} duplicates are on record, {FEWEST_STANDARDS} and {FEWEST_PAIRS} "
            "are needed.",
        )
    count = len(values)
    total = sum(values, Decimal(0))
    squares = sum((value * value for value in values), Decimal(0))
    scale = 100 / level
    variance = max((squares - total * total / count) / (count - 1), Decimal(0)) * scale**2
    duplicates = sum(ranges, Decimal(0)) / len(ranges) / _D2
    bias = (total / count - level) * scale
    reference = half_interval / _NORMAL_95 * scale
    squared = variance + duplicates**2 + bias**2 + variance / count + reference**2
    percent = COVERAGE * squared.sqrt()
    return OwnUncertainty(
        percent=percent,
        sentence=f"Expanded uncertainty (k = 2) {_tenths(percent)} %: scatter of "
        f"{count} control standards {_tenths(variance.sqrt())} %, of {len(ranges)} "
        f"duplicates {_tenths(duplicates)} %, bias {_tenths(bias)} %.",
    )


def _level(by_nominal: dict[Decimal, list[Decimal]], nominal: Decimal | None) -> Decimal | None:
    """Return the nominal value to use: that of the standard in use, else the one most on record.

    A division may have left the same nominal value with other last digits.
    """
    if nominal is not None:
        for known in by_nominal:
            if abs(known - nominal) <= nominal * Decimal("1e-9"):
                return known
        return None
    return max(by_nominal, key=lambda n: (len(by_nominal[n]), n), default=None)


def _tenths(value: Decimal) -> str:
    return str(round(value, 1))
