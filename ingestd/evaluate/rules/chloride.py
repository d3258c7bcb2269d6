"""Whether chloride is low enough in the tube, after dilution."""

from decimal import Decimal

from ingestd.evaluate.case import SAMPLE_LIKE, RunCase, TubeCase
from ingestd.evaluate.figures import plain, short, short_quotient, times
from ingestd.evaluate.rules.rule import HOLD, PASS, Parameters, Rule
from ingestd.model import Finding, Interferent, Method, SitePolicy


def chloride_interferent(method: Method) -> Interferent | None:
    """Return the method's word on chloride, None where it says nothing."""
    return next((i for i in method.interferents if i.name.casefold() == "chloride"), None)


def in_mg_l(interferent: Interferent) -> Decimal:
    """Return the highest concentration tolerated in the tube, mg/L."""
    return interferent.tolerance * 1000 if interferent.unit == "g/L" else interferent.tolerance


def chloride_of(run: RunCase, tube: TubeCase) -> Decimal | None:
    """Return chloride in the undiluted sample, mg/L: as noted, else as the sample came in."""
    noted = run.bench.number(tube.position, "chloride")
    if noted is not None:
        return noted
    return tube.sample.chloride_mg_l if tube.sample else None


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    found = chloride_interferent(method)
    if found is None:
        return (("chloride", "no tolerance stated"),)
    return (
        ("tolerated in the tube", f"{plain(found.tolerance)} {found.unit}"),
        ("must be known in", ", ".join(found.hold_if_unknown_in) or "no matrix"),
    )


CHLORIDE = Rule(
    name="chloride_in_tube",
    question="Is chloride in the tube, after dilution, within the method's tolerance?",
    formula="chloride of the sample / dilution factor <= tolerance",
    outcomes=(
        ("within the tolerance", PASS),
        ("not known, in a matrix that is not marked saline", PASS),
        ("not known, in a matrix where the method must know it", HOLD),
        ("above the tolerance", HOLD),
    ),
    source="tolerance of the method (a tube test after ISO 15705:2002: 1000 mg/L by its scope); "
    "comparison after dilution: common practice, no source",
    parameters=_parameters,
)


def judge_chloride(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return how chloride in the tube compares with the tolerance, None where none is stated."""
    interferent = run.chloride
    if interferent is None or tube.role not in SAMPLE_LIKE:
        return None
    tolerance = in_mg_l(interferent)
    position = tube.position
    chloride = chloride_of(run, tube)
    if chloride is None:
        matrix = run.matrix_of(tube)
        if matrix in interferent.hold_if_unknown_in:
            return CHLORIDE.answer(
                HOLD,
                f"Chloride of sample {tube.tube.sample} is not known and its matrix is "
                f"{matrix}; determine it and note it, the tube tolerates "
                f"{plain(tolerance)} mg/L.",
                position=position,
                observed="not known",
                limit=f"<= {plain(tolerance)} mg/L",
            )
        return CHLORIDE.answer(
            PASS,
            f"Chloride of sample {tube.tube.sample} is not known; its matrix"
            f"{f' {matrix}' if matrix else ''} is not one where {run.method.name} must know it.",
            position=position,
            observed="not known",
            limit=f"<= {plain(tolerance)} mg/L",
        )
    observed = f"{short_quotient(chloride, tube.factor)} mg/L"
    if chloride <= times(tolerance, tube.factor):
        return CHLORIDE.answer(
            PASS,
            f"Chloride in tube {position} is {observed}, within {plain(tolerance)} mg/L.",
            position=position,
            observed=observed,
            limit=f"<= {plain(tolerance)} mg/L",
        )
    return CHLORIDE.answer(
        HOLD,
        f"Chloride in tube {position} is {observed} ({plain(chloride)} mg/L in the sample at a "
        f"dilution factor of {plain(tube.factor)}), above {plain(tolerance)} mg/L; it can lean "
        f"the result either way. Repeat at a factor of at least {short(chloride / tolerance)}, "
        "or by a method that tolerates more.",
        position=position,
        observed=observed,
        limit=f"<= {plain(tolerance)} mg/L",
    )
