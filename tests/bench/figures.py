"""What a benchmark reports: a figure beside a floor measured in the same run."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One measured row.

    Attributes:
        name: what was measured.
        unit: of floor and figure.
        floor: the least that could be expected on this machine; None where there is none.
        figure: what the program does.
        target: the ratio or value asked for, in words.
        met: whether it is met; None where nothing is asked.
        spread: of the repeats, in words.
    """

    name: str
    unit: str
    floor: float | None
    figure: float
    target: str
    met: bool | None
    spread: str = ""

    @property
    def ratio(self) -> float | None:
        """Figure over floor."""
        return self.figure / self.floor if self.floor else None


def quantile(values: Sequence[float], part: float) -> float:
    """The value below which `part` of the values lie (nearest rank)."""
    ordered = sorted(values)
    return ordered[min(int(part * len(ordered)), len(ordered) - 1)]
