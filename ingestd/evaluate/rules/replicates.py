"""Whether several tubes of one sample agree, at one dilution or at several."""

from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.rules.duplicates import judge_pair, pairs_of
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Rule
from ingestd.evaluate.statistics.outliers import cochran_test, grubbs_test
from ingestd.evaluate.statistics.spread import relative_standard_deviation
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

UNEVEN_PAIR = Rule(
    name="uneven_pair",
    question="Does one pair of tubes scatter more than the other pairs of the run?",
    formula="Cochran: largest variance / sum of variances > critical value at 5 %, each pair "
    "taken relative to its own mean so that levels compare; at least three pairs",
    outcomes=(("all pairs scatter alike", PASS), ("one pair stands out", CAUTION)),
    source="ISO 5725-2, 7.3.3",
    parameters=lambda _method, _site: (("risk of flagging a good pair", "5 %"),),
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


def judge_uneven_pairs(run: RunCase) -> None:
    """Add a caution where one duplicate of three or more stands out by its scatter.

    Pairs that differ by no more than the floor are left out: near the lower limit the relative
    scatter of a good pair says nothing.
    """
    planned = pairs_of(run)
    if len(planned) < 3:
        return
    pairs = []
    for tube, other in planned:
        if tube.is_judged and other.is_judged and not tube.censored and not other.censored:
            if tube.value is None or other.value is None:
                continue
            a, b = Fraction(tube.value), Fraction(other.value)
            if a + b > 0:
                pairs.append((other, abs(a - b), (a / (a + b), b / (a + b))))
    floor = run.method.limits.duplicate_floor
    if len(pairs) < 3 or all(difference <= floor for _, difference, _ in pairs):
        return
    test = cochran_test([relative for _, _, relative in pairs])
    tube, difference, _ = pairs[test.suspect]
    if test.stands_out and difference > floor:
        run.of_its_own.setdefault(tube.tube.sample, []).append(
            UNEVEN_PAIR.answer(
                CAUTION,
                f"The pair of sample {tube.tube.sample} holds {short(test.statistic * 100)} % of "
                f"all scatter between the run's {len(pairs)} pairs, critical "
                f"{short(test.critical * 100)} %; look for particles in this sample.",
                position=tube.position,
                observed=f"{short(test.statistic * 100)} %",
                limit=f"<= {short(test.critical * 100)} %",
            )
        )


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
