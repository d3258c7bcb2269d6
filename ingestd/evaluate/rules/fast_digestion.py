"""Whether a fast digestion counts for the sample's matrix."""

from functools import lru_cache

from ingestd.evaluate.case import SAMPLE_LIKE, RunCase, TubeCase
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.rules.digestion import program_of
from ingestd.evaluate.rules.rule import HOLD, PASS, Parameters, Rule
from ingestd.evaluate.statistics.digestion_comparison import (
    ALLOWED_PERCENT,
    Comparison,
    compare_digestions,
)
from ingestd.model import DigestionComparison, Finding, Method, SitePolicy


def _parameters(method: Method, site: SitePolicy) -> Parameters:
    fast = [p.name for p in method.programs if p.needs_comparison]
    return (
        ("programs that need a comparison", ", ".join(fast) or "none"),
        ("fewest pairs", str(site.minimum_comparison_pairs)),
        ("mean difference accepted", f"{plain(ALLOWED_PERCENT)} %"),
    )


FAST_DIGESTION = Rule(
    name="fast_digestion",
    question="Is the fast digestion shown to be equivalent for the sample's matrix?",
    formula="a comparison of paired standard and fast digestions of that matrix and method, valid "
    "on the day of the run: paired differences with a t test, regression through the "
    "range, enough pairs",
    outcomes=(
        ("shown to be equivalent", PASS),
        ("matrix not known", HOLD),
        ("no comparison on record for the matrix and day", HOLD),
        ("the comparison does not show equivalence", HOLD),
    ),
    source="paired t test: any textbook of statistics; smallest number of pairs and accepted "
    "difference: common practice, no source",
    parameters=_parameters,
)


@lru_cache(maxsize=256)
def outcome_of(comparison: DigestionComparison, fewest: int) -> Comparison | str:
    """Return what the pairs of a comparison show, or why they show nothing."""
    try:
        return compare_digestions(
            [pair.standard for pair in comparison.pairs],
            [pair.fast for pair in comparison.pairs],
            fewest=fewest,
        )
    except ValueError as too_thin:
        return str(too_thin)


def judge_fast_digestion(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return whether the run's program counts for the sample, None for standard programs."""
    program = program_of(run)
    if program is None or not program.needs_comparison or tube.role not in SAMPLE_LIKE:
        return None
    matrix, position, day = run.matrix_of(tube), tube.position, run.day
    if not matrix:
        return FAST_DIGESTION.answer(
            HOLD,
            f"The matrix of sample {tube.tube.sample} is not known, so no comparison can admit "
            f"program {program.name}; state the matrix of the sample or its point.",
            position=position,
            observed="matrix not known",
            limit="a comparison of its matrix",
        )
    fitting = [
        c
        for c in run.facts.comparisons
        if c.method == run.method.name
        and c.program == program.name
        and c.matrix.casefold() == matrix.casefold()
        and c.valid_from <= day <= c.valid_until
    ]
    if not fitting:
        return FAST_DIGESTION.answer(
            HOLD,
            f"No comparison on record admits program {program.name} for {matrix} on {day}; digest "
            "paired samples by both programs, or repeat by the standard program.",
            position=position,
            observed="no comparison",
            limit=f"a comparison of {matrix} valid on {day}",
        )
    newest = max(fitting, key=lambda c: (c.valid_from, c.name))
    outcome = outcome_of(newest, run.site.minimum_comparison_pairs)
    if isinstance(outcome, str):
        return FAST_DIGESTION.answer(
            HOLD,
            f"Comparison {newest.name} shows nothing ({outcome}); repeat by the standard program.",
            position=position,
            observed=newest.name,
            limit="equivalence",
        )
    observed = f"{short(outcome.relative.value)} % over {outcome.pairs} pairs"
    if not outcome.equivalent:
        return FAST_DIGESTION.answer(
            HOLD,
            f"Comparison {newest.name} does not show that {program.name} is equivalent for "
            f"{matrix}: {' '.join(outcome.reasons)} Repeat by the standard program.",
            position=position,
            observed=observed,
            limit="equivalence",
        )
    return FAST_DIGESTION.answer(
        PASS,
        f"Comparison {newest.name} admits {program.name} for {matrix}: mean difference "
        f"{observed}, valid until {newest.valid_until}.",
        position=position,
        observed=observed,
        limit="equivalence",
    )
