"""The total factor of a dilution in several steps and its uncertainty from glassware tolerances.

Source: JCGM 100 (GUM) 4.3.7 and 4.3.9 (rectangular and triangular distributions), 5.1.2;
Eurachem/CITAC QUAM, examples A1 and A2 (volumetric tolerances taken as triangular).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from math import prod
from typing import Literal

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.spread import square_root
from ingestd.model import DilutionStep

Shape = Literal["triangular", "rectangular"]
"""Values near the nominal one likelier than those near the limits, or all alike."""

_DIVISOR = {"triangular": 6, "rectangular": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """A volume delivered or contained, mL, with its tolerance ± mL."""

    ml: Number
    tolerance_ml: Number
    shape: Shape = "triangular"

    def __post_init__(self) -> None:
        if exact(self.ml) <= 0:
            raise ValueError(f"volume {self.ml} mL is not above zero")
        if exact(self.tolerance_ml) < 0:
            raise ValueError(f"tolerance {self.tolerance_ml} mL is below zero")
        if self.shape not in _DIVISOR:
            raise ValueError(f"shape {self.shape!r} is unknown; use triangular or rectangular")

    @property
    def variance(self) -> Fraction:
        """Squared standard uncertainty, mL squared, exact."""
        return exact(self.tolerance_ml) ** 2 / _DIVISOR[self.shape]

    @property
    def u_ml(self) -> Decimal:
        """Standard uncertainty, mL."""
        return square_root(self.variance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One dilution: its exact factor and the square of its relative uncertainty."""

    factor: Fraction
    relative_variance: Fraction


def made_up(aliquot: Volume, flask: Volume) -> Step:
    """Return the step of an aliquot made up to the mark of a flask: flask / aliquot.

    Raises:
        ValueError: the flask is smaller than the aliquot.

    """
    portion, total = exact(aliquot.ml), exact(flask.ml)
    if total < portion:
        raise ValueError(
            f"flask of {flask.ml} mL is smaller than the aliquot of {aliquot.ml} mL; "
            "were the two exchanged?"
        )
    return Step(
        factor=total / portion,
        relative_variance=aliquot.variance / portion**2 + flask.variance / total**2,
    )


def added(aliquot: Volume, diluent: Volume) -> Step:
    """Return the step of an aliquot with diluent added: 1 + diluent / aliquot.

    The aliquot stands in the total too, so its error weighs less than in a flask.
    """
    portion, more = exact(aliquot.ml), exact(diluent.ml)
    share = more / (portion + more)
    return Step(
        factor=(portion + more) / portion,
        relative_variance=share**2 * (aliquot.variance / portion**2 + diluent.variance / more**2),
    )


@lru_cache(maxsize=256)
def step_on_record(stated: DilutionStep) -> Step:
    """Return the step that the plan's volumes and tolerances make.

    Raises:
        ValueError: the plan names neither a flask nor a diluent, or impossible volumes.

    """
    aliquot = Volume(
        ml=stated.aliquot_ml, tolerance_ml=stated.aliquot_tolerance_ml, shape=stated.shape
    )
    if stated.flask_ml is not None and stated.flask_tolerance_ml is not None:
        flask = Volume(
            ml=stated.flask_ml, tolerance_ml=stated.flask_tolerance_ml, shape=stated.shape
        )
        return made_up(aliquot, flask)
    if stated.diluent_ml is not None and stated.diluent_tolerance_ml is not None:
        diluent = Volume(
            ml=stated.diluent_ml, tolerance_ml=stated.diluent_tolerance_ml, shape=stated.shape
        )
        return added(aliquot, diluent)
    raise ValueError(
        f"dilution step {stated.name} names neither a flask nor a diluent with its tolerance"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DilutionShare:
    """What one dilution adds to the uncertainty of results.

    Attributes:
        relative_variance: square of its relative standard uncertainty, of the steps on record.
        u_percent: its relative standard uncertainty, percent.
        glassware: how each step is made, in words.
        missing: factors of steps that are not on record.
    """

    relative_variance: Fraction
    u_percent: Decimal
    glassware: str
    missing: tuple[Decimal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DilutionFactor:
    """A total factor (dimensionless, at least 1) with its standard uncertainty."""

    factor: Fraction
    relative_u: Decimal
    u: Decimal


def total_factor(steps: Sequence[Step]) -> DilutionFactor:
    """Return the product of the steps; none at all is an undiluted sample, factor 1.

    Steps count as independent: the same pipette used twice makes the true value larger.
    """
    factor = prod((step.factor for step in steps), start=Fraction(1))
    relative = sum((step.relative_variance for step in steps), Fraction(0))
    return DilutionFactor(
        factor=factor,
        relative_u=square_root(relative),
        u=square_root(relative * factor**2),
    )
