"""Whether several tubes of one sample agree, at one dilution or at several."""

from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.outliers import grubbs_test
from ingestd.evaluate.rules.duplicates import judge_pair
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Rule
from ingestd.evaluate.spread import relative_standard_deviation
from ingestd.model import Finding, Role

REPLICATES = Rule(
    name="replicates",
    question="Do the tubes of one sample agree?",
    formula="two tubes: relative range as for a duplicate; more: relative standard deviation",
    outcomes=(
        ("they agree", PASS),
        ("they scatter more than the caution limit", CAUTION),
        ("two tubes differ by more than the hold limit", HOLD),
        ("one of two cannot be used or compared", HOLD),
    ),
    source="scatter between tubes points to poor homogenisation, between dilutions to "
    "interference: common practice, no source",
    parameters=lambda method, _site: (
        ("relative standard deviation", f"<= {plain(method.limits.replicate_caution)} %"),
        ("relative range of two", f"<= {plain(method.limits.duplicate_hold)} %"),
    ),
)

OUTLIER = Rule(
    name="outlier",
    question="Does one of three or more tubes stand out from the others?",
    formula="Grubbs: largest distance from the mean / standard deviation > critical value, "
    "two-sided at 5 %; it flags and never removes",
    outcomes=(("none stands out", PASS), ("one stands out", CAUTION)),
    source="NIST/SEMATECH e-Handbook 1.3.5.17.1; ISO 5725-2",
    parameters=lambda _method, _site: (("risk of flagging a good tube", "5 %"),),
)

HOMOGENISED = Rule(
    name="homogenised",
    question="Was the sample homogenised before it was pipetted?",
    formula="noted yes or no",
    outcomes=(("noted yes", PASS), ("noted no", CAUTION)),
)


def judge_replicates(run: RunCase) -> None:
    """Add, sample by sample, how its tubes agree. A pair of sample and duplicate is judged as a
    control of the run already and is left out here.
    """
    for code, tubes in run.of_sample.items():
        live = [
            t
            for t in tubes
            if t.void is None
            and t.is_judged
            and (t.role is Role.SAMPLE or t.role is Role.DUPLICATE)
        ]
        samples = [t for t in live if t.role is Role.SAMPLE]
        if len(live) == 2 and len(samples) == 2:
            finding = judge_pair(run, REPLICATES, samples[0], samples[1])
            run.of_its_own.setdefault(code, []).append(finding)
        elif len(live) > 2:
            run.of_its_own.setdefault(code, []).extend(_judge_several(run, code, live))


def _judge_several(run: RunCase, code: str, tubes: list[TubeCase]) -> list[Finding]:
    numbers = [(t, Fraction(t.value)) for t in tubes if t.value is not None and not t.censored]
    if len(numbers) < 3:
        return []
    values = [value for _, value in numbers]
    spread = relative_standard_deviation(values)
    if spread is None:
        return []
    allowed = run.method.limits.replicate_caution
    unit = run.method.unit
    count = f"{len(values)} tubes of sample {code}"
    observed = f"{short(spread)} %"
    diluted = len({t.factor for t in tubes}) > 1
    findings = []
    if spread > allowed:
        hint = (
            "tubes at different dilutions that do not agree point to an interference, "
            "or to a wrong dilution"
            if diluted
            else "scatter between tubes usually means particles and poor homogenisation"
        )
        findings.append(
            REPLICATES.answer(
                CAUTION,
                f"The {count} scatter by {observed}, above {plain(allowed)} %; {hint}.",
                observed=observed,
                limit=f"<= {plain(allowed)} %",
            )
        )
    else:
        findings.append(
            REPLICATES.answer(
                PASS,
                f"The {count} agree within {observed}.",
                observed=observed,
                limit=f"<= {plain(allowed)} %",
            )
        )
    test = grubbs_test(values)
    suspect = numbers[test.suspect][0]
    if test.stands_out:
        findings.append(
            OUTLIER.answer(
                CAUTION,
                f"Tube {suspect.position} of sample {code} ({short(values[test.suspect])} {unit}) "
                f"stands out from the others: {short(test.statistic)} standard deviations, "
                f"critical {short(test.critical)}. It still counts; void it only for a reason "
                "found at the bench.",
                position=suspect.position,
                observed=short(test.statistic),
                limit=f"<= {short(test.critical)}",
            )
        )
    return findings


def judge_homogenised(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return a caution where the sample was not homogenised, None where nobody noted it."""
    noted = run.bench.noted(tube.position, "homogenised")
    if noted is None or tube.role not in (Role.SAMPLE, Role.DUPLICATE, Role.SPIKE):
        return None
    if noted.strip().casefold() == "yes":
        return HOMOGENISED.answer(
            PASS,
            f"Sample {tube.tube.sample} was homogenised.",
            position=tube.position,
            observed="yes",
            limit="yes",
        )
    return HOMOGENISED.answer(
        CAUTION,
        f"Sample {tube.tube.sample} was not homogenised before tube {tube.position} was pipetted; "
        "particles may be missing from it or crowd in it.",
        position=tube.position,
        observed=noted,
        limit="yes",
    )
