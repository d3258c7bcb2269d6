"""How two results of one sample agree, and how much of an added amount is found.

Source: ISO 5725-6 (repeatability limit, critical range, acceptable results); relative percent
difference and percent recovery as in laboratory quality plans. Worked values in
tests/ingestd/evaluate/data/recovery.csv.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.spread import as_decimal, mean, median

CRITICAL_RANGE_FACTORS = {
    n: Decimal(factor)
    for n, factor in enumerate(("2.8", "3.3", "3.6", "3.9", "4.0", "4.2", "4.3", "4.4", "4.5"), 2)
}
"""Factors f(n) of the critical range at 95 %, n = 2 to 10.

Source: ISO 5725-6 table 1 (from memory); they are the 95 % points of the range of n standard
normal values, recomputed in the tests.
"""

WORTH_SPIKING = 4
"""A native content above so many times the spike makes its recovery meaningless.

Source: United States EPA practice (from memory).
"""


def relative_range(first: Number, second: Number) -> Fraction | None:
    """Return the difference of two results in percent of their mean; None if that is zero.

    Where the mean is below zero its size counts, so the outcome is never below zero.

    Source: relative percent difference, |a - b| / mean x 100.

    """
    a, b = exact(first), exact(second)
    return None if a + b == 0 else 200 * abs(a - b) / abs(a + b)


def critical_range(n: int, repeatability_sd: Number) -> Fraction:
    """Return the range that n results under repeatability exceed in 5 % of cases.

    For two results this is the repeatability limit r = 2.8 s_r.

    Args:
        n: results, 2 to 10.
        repeatability_sd: s_r in the unit of the results, not below zero.

    Raises:
        ValueError: n has no tabulated factor or the standard deviation is below zero.

    """
    if n not in CRITICAL_RANGE_FACTORS:
        raise ValueError(f"{n} results; critical ranges are tabulated for 2 to 10")
    if exact(repeatability_sd) < 0:
        raise ValueError(f"a standard deviation of {repeatability_sd} is below zero")
    return exact(CRITICAL_RANGE_FACTORS[n]) * exact(repeatability_sd)


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptedResult:
    """What to do with repeated results: state `value`, or measure `more` first.

    `value` is None while more results are needed; `range` is held against `limit`.
    """

    kind: Literal["mean", "median", "measure more"]
    value: Fraction | None
    range: Fraction
    limit: Fraction
    more: int


def accept_results(results: Sequence[Number], repeatability_sd: Number) -> AcceptedResult:
    """Return the result to state for two or four determinations of one sample.

    Two within r: their mean. Else two more are measured; four within the critical range: their
    mean, else their median.

    Raises:
        ValueError: there are not two or four results.

    Source: ISO 5725-6, 5.2.2 (procedure from memory).

    """
    if len(results) not in {2, 4}:
        raise ValueError(f"{len(results)} results; the procedure knows two, then two more")
    values = [exact(result) for result in results]
    spread = max(values) - min(values)
    limit = critical_range(len(values), repeatability_sd)
    if spread <= limit:
        return AcceptedResult(kind="mean", value=mean(values), range=spread, limit=limit, more=0)
    if len(values) == 2:
        return AcceptedResult(kind="measure more", value=None, range=spread, limit=limit, more=2)
    return AcceptedResult(kind="median", value=median(values), range=spread, limit=limit, more=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What was found of an added amount.

    Attributes:
        percent: 100 where all that was added is found.
        added: rise in concentration that the spike should bring.
        native: concentration of the sample in the spiked portion.
        meaningful: the spike is not drowned by the sample's own content.

    """

    percent: Fraction
    added: Fraction
    native: Fraction
    meaningful: bool


def spike_recovery(measured: Number, native: Number, added: Number) -> Recovery:
    """Return the recovery of a spike that adds no volume worth counting.

    Args:
        measured: concentration of the spiked portion.
        native: concentration without spike, in the same portion.
        added: rise that the spike should bring, above zero; all in one unit.

    Raises:
        ValueError: nothing was added.

    """
    rise, own = exact(added), exact(native)
    if rise <= 0:
        raise ValueError(f"an added concentration of {added} is not above zero")
    return Recovery(
        percent=100 * (exact(measured) - own) / rise,
        added=rise,
        native=own,
        meaningful=own <= WORTH_SPIKING * rise,
    )


def spike_recovery_by_volume(
    measured: Number,
    native: Number,
    *,
    sample_ml: Number,
    spike_ml: Number,
    spike_concentration: Number,
) -> Recovery:
    """Return the recovery of a spike whose volume dilutes the sample.

    Args:
        measured: concentration of the mixture.
        native: concentration of the sample before the spike.
        sample_ml: volume of sample, above zero.
        spike_ml: volume of spike solution, above zero.
        spike_concentration: of that solution, above zero, in the unit of the others.

    Raises:
        ValueError: a volume or the spike's concentration is not above zero.

    """
    sample, spike = exact(sample_ml), exact(spike_ml)
    if sample <= 0 or spike <= 0:
        raise ValueError(f"volumes of {sample_ml} mL and {spike_ml} mL must both be above zero")
    total = sample + spike
    return spike_recovery(
        measured,
        exact(native) * sample / total,
        exact(spike_concentration) * spike / total,
    )


def dilutions_agree(
    results: Sequence[tuple[Number, Number]],
) -> bool:
    """Say whether results of one sample at several dilutions agree within uncertainty.

    Args:
        results: final value (dilution applied) and its expanded uncertainty, per dilution.

    Returns:
        True if every two lie no further apart than the root of their squared uncertainties.
        A series that does not agree points to interference or an error of dilution.

    Raises:
        ValueError: there are fewer than two results.

    Source: comparison of two results with stated uncertainties, E_n no larger than 1 (ISO 13528,
    from memory).

    """
    if len(results) < 2:
        raise ValueError(f"{len(results)} results; at least two dilutions are needed")
    values = [(exact(value), exact(u) ** 2) for value, u in results]
    return all(
        (a - b) ** 2 <= ua + ub
        for place, (a, ua) in enumerate(values)
        for b, ub in values[place + 1 :]
    )


def repeatability_limit(repeatability_sd: Number) -> Decimal:
    """Return r = 2.8 s_r, which two results exceed in 5 % of cases.

    Raises:
        ValueError: the standard deviation is below zero.

    Source: ISO 5725-6, 4.1 (2.8 for 1.96 sqrt 2).

    """
    return as_decimal(critical_range(2, repeatability_sd))
