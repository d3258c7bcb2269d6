"""How unusual a value is among earlier ones of the same sampling point.

Median and median absolute deviation are used because a history holds its own outliers. Such a
finding is a hint to look, never a reason to hold: a real spill looks the same.

Source: modified z score, NIST/SEMATECH e-Handbook 1.3.5.17 (Iglewicz and Hoaglin: 0.6745
times distance over MAD, suspect beyond 3.5).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.spread import MAD_TO_SD, median, median_absolute_deviation

SUSPECT_BEYOND = Decimal("3.5")
FEWEST_IN_HISTORY = 8
"""Earlier values needed for a comparison (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryComparison:
    """A value against its history.

    `score` is the distance from the median in robust standard deviations, None where half the
    history is one and the same number, so that there is no scale.
    """

    median: Fraction
    robust_sd: Fraction
    score: Fraction | None
    earlier: int
    unusual: bool


def compare_with_history(
    value: Number,
    history: Sequence[Number],
    *,
    beyond: Decimal = SUSPECT_BEYOND,
    fewest: int = FEWEST_IN_HISTORY,
) -> HistoryComparison | None:
    """Return how unusual a value is, or None while the history is too short to say.

    Args:
        value: the new value.
        history: earlier values of the same point, analyte, fraction and basis, same unit.
        beyond: robust standard deviations beyond which a value is unusual.
        fewest: earlier values needed.

    """
    if len(history) < max(fewest, 1):
        return None
    centre = median(history)
    scale = exact(MAD_TO_SD) * median_absolute_deviation(history)
    score = None if scale == 0 else (exact(value) - centre) / scale
    return HistoryComparison(
        median=centre,
        robust_sd=scale,
        score=score,
        earlier=len(history),
        unusual=score is not None and abs(score) > exact(beyond),
    )
