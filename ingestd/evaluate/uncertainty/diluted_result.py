"""The expanded uncertainty of a result widened by that of its dilution.

The laboratory's own uncertainty comes from controls, which tell nothing of the glassware a
sample was diluted with; the plan says how each step is made. Where duplicates are diluted each
by itself their scatter holds part of it already: the figure is then too wide, never too narrow.

Source: JCGM 100 (GUM) 5.1.2 (independent contributions add in squares) and 5.1.6 (relative ones
of a product); Eurachem/CITAC QUAM, examples A1 and A2, for the tolerances.
"""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.rules.dilution import planned_dilution
from ingestd.evaluate.statistics.spread import square_root
from ingestd.evaluate.uncertainty.dilution import DilutionShare, step_on_record
from ingestd.evaluate.uncertainty.own_controls import COVERAGE
from ingestd.model import DilutionStep


def widen_by_dilution(
    run: RunCase, diluted: Sequence[TubeCase], own: Decimal, steps: list[str]
) -> Decimal:
    """Return the expanded uncertainty in percent of the value; adds the step that explains it.

    Of several tubes the largest variance counts, undivided: tubes diluted with the same pipette
    and flask all err the same way, so their mean is no better than the least certain of them.

    Args:
        run: whose plan says how dilutions are made.
        diluted: the tubes of the result with a factor above 1, at least one.
        own: the laboratory's own expanded uncertainty (k = 2), percent.
        steps: the derivation so far.

    """
    shares = [_share_of(run, tube) for tube in diluted]
    missing = sorted({factor for share in shares for factor in share.missing})
    if missing:
        steps.append(
            "The dilution's own uncertainty is not on record and not in the figure: the plan has "
            f"no dilution step of factor {' and '.join(map(plain, missing))}."
        )
        return own
    share = max(shares, key=_variance)
    half = own / COVERAGE
    percent = COVERAGE * square_root(Fraction(half) ** 2 + 10_000 * share.relative_variance)
    of_several = (
        f"; of {len(diluted)} diluted tubes the least certain dilution counts, since the same "
        "glassware errs the same way in each"
        if len(diluted) > 1
        else ""
    )
    steps.append(
        f"With the dilution it is {COVERAGE} x root({short(half)}^2 + {short(share.u_percent)}^2) "
        f"= {short(percent)} %: {short(half)} % by the laboratory's own controls, "
        f"{short(share.u_percent)} % by glassware, {share.glassware}{of_several}."
    )
    return percent


def _variance(share: DilutionShare) -> tuple[Fraction, str]:
    return share.relative_variance, share.glassware


def _share_of(run: RunCase, tube: TubeCase) -> DilutionShare:
    """Return what the tube's dilution adds, worked out once a run for all that are alike."""
    factors = planned_dilution(run, tube).factors
    share = run.dilutions.get(factors)
    if share is None:
        share = run.dilutions[factors] = _work_out(run.facts.dilution_steps, factors)
    return share


def _work_out(on_record: Sequence[DilutionStep], factors: tuple[Decimal, ...]) -> DilutionShare:
    total = Fraction(0)
    glassware: list[str] = []
    missing: list[Decimal] = []
    for factor in factors:
        ways = [
            (step_on_record(way).relative_variance, way.name, way)
            for way in on_record
            if way.factor == factor
        ]
        if not ways:
            missing.append(factor)
            continue
        variance, _, way = max(ways, key=lambda one: one[:2])
        total += variance
        of_several = f" (the least certain of {len(ways)} ways on record)" if ways[1:] else ""
        glassware.append(_in_words(way) + of_several)
    return DilutionShare(
        relative_variance=total,
        u_percent=100 * square_root(total),
        glassware=", then ".join(glassware),
        missing=tuple(missing),
    )


def _in_words(step: DilutionStep) -> str:
    """Return a step as the derivation prints it: its name, factor, volumes and tolerances."""
    aliquot = f"{plain(step.aliquot_ml)} ± {plain(step.aliquot_tolerance_ml)} mL"
    if step.flask_ml is not None and step.flask_tolerance_ml is not None:
        second = f"made up to {plain(step.flask_ml)} ± {plain(step.flask_tolerance_ml)} mL"
    else:
        diluent, tolerance = step.diluent_ml or 0, step.diluent_tolerance_ml or 0
        second = f"and {plain(Decimal(diluent))} ± {plain(Decimal(tolerance))} mL of diluent"
    return f"{step.name} (factor {plain(step.factor)}): {aliquot} {second}, {step.shape}"
