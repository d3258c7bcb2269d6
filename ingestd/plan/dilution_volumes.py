"""What contradicts itself in the volumes of a dilution step."""

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction

from ingestd.model import DilutionStep
from ingestd.plan.constraints import Broken
from ingestd.plan.quantities import exact_decimal, plain


def check_volumes(step: DilutionStep) -> Iterator[Broken]:
    """Yield what cannot be so: no second volume or two, a wide tolerance, another factor.

    A factor is compared exactly: 33.3 is not what 3 mL in 100 mL give, and no bench sheet can
    state what they do give.
    """
    yield from _check_tolerances(step)
    if step.flask_ml is not None and step.diluent_ml is not None:
        yield _broken(
            "diluent_ml",
            step.diluent_ml,
            f"the step is made up to a mark of {step.flask_ml} mL already",
            "write the flask, or the diluent added, not both",
        )
    elif step.flask_ml is not None:
        if step.flask_ml <= step.aliquot_ml:
            yield _broken(
                "flask_ml",
                step.flask_ml,
                f"the flask is not larger than the aliquot, {step.aliquot_ml} mL",
                "correct one of the two; were they exchanged?",
            )
        else:
            yield from _check_factor(step, Fraction(step.flask_ml) / Fraction(step.aliquot_ml))
    elif step.diluent_ml is not None:
        yield from _check_factor(step, 1 + Fraction(step.diluent_ml) / Fraction(step.aliquot_ml))
    else:
        yield _broken(
            "flask_ml",
            "",
            "nothing says what the aliquot was diluted with",
            "write flask_ml if it is made up to a mark, or diluent_ml if diluent is added",
        )


def _check_tolerances(step: DilutionStep) -> Iterator[Broken]:
    for volume in ("aliquot_ml", "flask_ml", "diluent_ml"):
        tolerance = volume.replace("_ml", "_tolerance_ml")
        size: Decimal | None = getattr(step, volume)
        allowed: Decimal | None = getattr(step, tolerance)
        if size is None and allowed is not None:
            yield _broken(
                tolerance,
                allowed,
                f"there is no {volume} it could speak of",
                f"write {volume} too",
            )
        elif size is not None and allowed is None:
            yield _broken(
                tolerance,
                "",
                f"the tolerance of {volume} is missing",
                "write it as marked on the glassware",
            )
        elif size is not None and allowed is not None and allowed >= size:
            yield _broken(
                tolerance,
                allowed,
                f"the tolerance is as large as {volume}, {size}",
                "correct one of the two",
            )


def _check_factor(step: DilutionStep, given: Fraction) -> Iterator[Broken]:
    if given != Fraction(step.factor):
        exact = exact_decimal(given)
        words = str(given) if exact is None else plain(exact)
        yield _broken(
            "factor",
            step.factor,
            f"the volumes give a factor of {words}",
            "correct one of the two",
        )


def _broken(key: str, value: object, problem: str, remedy: str) -> Broken:
    return Broken(path=(key,), value=str(value), problem=problem, remedy=remedy)
