"""Whether interferents are low enough in the tube, after dilution; chloride first."""

from decimal import Decimal

from ingestd.evaluate.case import SAMPLE_LIKE, RunCase, TubeCase
from ingestd.evaluate.figures import plain, short, short_quotient, times
from ingestd.evaluate.rules.rule import HOLD, PASS, Parameters, Rule
from ingestd.model import Finding, Interferent, Method, SitePolicy


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
    return tuple(
        (
            f"{i.name} tolerated in the tube",
            f"{plain(i.tolerance)} {i.unit}; must be known in "
            + (", ".join(i.hold_if_unknown_in) or "no matrix"),
        )
        for i in method.interferents
    ) or (("interferents", "no tolerance stated"),)


INTERFERENT = Rule(
    name="interferent_in_tube",
    question="Is what disturbs the method, chloride first, within its tolerance in the tube?",
    formula="concentration in the sample / dilution factor <= tolerance",
    outcomes=(
        ("within the tolerance", PASS),
        ("not known, in a matrix where the method need not know it", PASS),
        ("not known, in a matrix where the method must know it", HOLD),
        ("above the tolerance", HOLD),
    ),
    source="tolerance of the method (a tube test after ISO 15705:2002: chloride 1000 mg/L by its "
    "scope); comparison after dilution: common practice, no source",
    parameters=_parameters,
)


def judge_chloride(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return how chloride in the tube compares with the tolerance, None where none is stated."""
    if run.chloride is None or tube.role not in SAMPLE_LIKE:
        return None
    return _judge(run, tube, run.chloride, "mg/L", in_mg_l(run.chloride), chloride_of(run, tube))


def judge_other_interferents(run: RunCase, tube: TubeCase) -> Finding | None:
    """Add how every interferent but chloride compares with its tolerance."""
    sample = tube.sample
    if sample is None or tube.role not in SAMPLE_LIKE:
        return None
    for interferent in run.method.interferents:
        if interferent is not run.chloride:
            present = sample.interferents.get(interferent.name)
            tube.findings.append(
                _judge(run, tube, interferent, interferent.unit, interferent.tolerance, present)
            )
    return None


def _judge(
    run: RunCase,
    tube: TubeCase,
    interferent: Interferent,
    unit: str,
    tolerance: Decimal,
    present: Decimal | None,
) -> Finding:
    position, what = tube.position, interferent.name.capitalize()
    limit = f"<= {plain(tolerance)} {unit}"
    if present is None:
        matrix = run.matrix_of(tube)
        if matrix in interferent.hold_if_unknown_in:
            return INTERFERENT.answer(
                HOLD,
                f"{what} of sample {tube.tube.sample} is not known and its matrix is {matrix}; "
                f"determine it and note it, the tube tolerates {plain(tolerance)} {unit}.",
                position=position,
                observed="not known",
                limit=limit,
            )
        return INTERFERENT.answer(
            PASS,
            f"{what} of sample {tube.tube.sample} is not known; its matrix"
            f"{f' {matrix}' if matrix else ''} is not one where {run.method.name} must know it.",
            position=position,
            observed="not known",
            limit=limit,
        )
    observed = f"{short_quotient(present, tube.factor)} {unit}"
    if present <= times(tolerance, tube.factor):
        return INTERFERENT.answer(
            PASS,
            f"{what} in tube {position} is {observed}, within {plain(tolerance)} {unit}.",
            position=position,
            observed=observed,
            limit=limit,
        )
    return INTERFERENT.answer(
        HOLD,
        f"{what} in tube {position} is {observed} ({plain(present)} {unit} in the sample at a "
        f"dilution factor of {plain(tube.factor)}), above {plain(tolerance)} {unit}; it can lean "
        f"the result either way. Repeat at a factor of at least {short(present / tolerance)}, "
        "or by a method that tolerates more.",
        position=position,
        observed=observed,
        limit=limit,
    )
