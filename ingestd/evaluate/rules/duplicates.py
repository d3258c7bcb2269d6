"""Whether the two tubes of a duplicate agree."""

from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.rules.control import unusable
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Parameters, Rule
from ingestd.model import Finding, Method, Role, SitePolicy


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    limits = method.limits
    return (
        ("relative range, caution", f"> {plain(limits.duplicate_caution)} %"),
        ("relative range, hold", f"> {plain(limits.duplicate_hold)} %"),
        ("difference that always passes", f"{plain(limits.duplicate_floor)} {method.unit}"),
    )


DUPLICATE = Rule(
    name="duplicate",
    version=2,
    question="Do the two tubes of a duplicate agree?",
    formula="relative range = |a - b| / mean of both x 100 %; differences up to the floor pass",
    outcomes=(
        ("within the floor or the caution limit", PASS),
        ("both below the lower limit", PASS),
        ("one below the lower limit, the other not far above it", CAUTION),
        ("above the caution limit, near the 95 % repeatability limit", CAUTION),
        ("above the hold limit, an action limit near 0.3 %", HOLD),
        ("one of the two cannot be used or compared", HOLD),
    ),
    source="relative range of a pair: EPA practice (relative percent difference); repeatability "
    "limit 2.8 s_r as in ISO 5725-6",
    parameters=_parameters,
)


def pairs_of(run: RunCase) -> list[tuple[TubeCase, TubeCase]]:
    """Return (sample tube, duplicate tube) for every duplicate whose sample tube counts."""
    pairs = []
    for duplicate in run.of_role(Role.DUPLICATE):
        for tube in run.of_sample.get(duplicate.tube.sample, ()):
            if tube.role is Role.SAMPLE and tube.void is None:
                pairs.append((tube, duplicate))
                break
    return pairs


def judge_duplicates(run: RunCase) -> None:
    """Add a finding for every duplicate of which both tubes have a reading."""
    for tube, duplicate in pairs_of(run):
        if tube.is_to_answer and duplicate.is_to_answer:
            run.findings.append(judge_pair(run, DUPLICATE, tube, duplicate))


def judge_pair(run: RunCase, rule: Rule, tube: TubeCase, other: TubeCase) -> Finding:
    """Return whether two tubes of one sample agree, as an answer of the given rule."""
    limits, unit, position = run.method.limits, run.method.unit, other.position
    both = f"tubes {tube.position} and {position} of sample {tube.tube.sample}"
    caution, hold = limits.duplicate_caution, limits.duplicate_hold
    allowed = f"<= {plain(hold)} %"
    # A tube that is only over range is spoken of here: its pair cannot be compared.
    for one in (tube, other):
        held = unusable(rule, one, "duplicate")
        if held is not None:
            return held
    if tube.value is None or other.value is None:
        return rule.answer(
            HOLD,
            f"The {both} have no values to compare; settle their own findings first.",
            position=position,
            observed="no value",
            limit=allowed,
        )
    if tube.censored and other.censored:
        return rule.answer(
            PASS,
            f"The {both} are both below the lower limit; they agree as far as can be seen.",
            position=position,
            observed=f"< {plain(tube.value)} and < {plain(other.value)} {unit}",
            limit=allowed,
        )
    a, b = Fraction(tube.value), Fraction(other.value)
    difference, middle = abs(a - b), (a + b) / 2
    if tube.censored or other.censored:
        number, bound = (b, a) if tube.censored else (a, b)
        observed = f"{short(number)} and < {short(bound)} {unit}"
        apart = number - bound
        if apart <= limits.duplicate_floor or apart * 100 <= Fraction(hold) * middle:
            return rule.answer(
                CAUTION,
                f"The {both} are {observed}; they cannot be compared as numbers, but do not "
                "contradict one another.",
                position=position,
                observed=observed,
                limit=allowed,
            )
        return rule.answer(
            HOLD,
            f"The {both} are {observed}, further apart than {plain(hold)} %; homogenise and "
            "repeat.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    if difference <= limits.duplicate_floor or difference == 0:
        return rule.answer(
            PASS,
            f"The {both} differ by {short(difference)} {unit}, within the floor of "
            f"{plain(limits.duplicate_floor)} {unit}.",
            position=position,
            observed=f"{short(difference)} {unit}",
            limit=f"<= {plain(limits.duplicate_floor)} {unit}",
        )
    relative = difference * 100 / middle if middle > 0 else Fraction(200)
    cause = (
        "Scatter between tubes usually means particles and poor homogenisation: homogenise"
        if tube.factor == other.factor
        else "Dilutions that do not agree point to an interference, or to a wrong dilution: dilute"
    )
    observed = f"{short(relative)} %"
    text = f"The {both} ({short(a)} and {short(b)} {unit}) differ by {observed} of their mean"
    if relative > hold:
        return rule.answer(
            HOLD,
            f"{text}, above {plain(hold)} %. {cause} anew and repeat.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    if relative > caution:
        return rule.answer(
            CAUTION,
            f"{text}, above {plain(caution)} %, which good pairs exceed about once in twenty. "
            f"{cause} anew if it happens again.",
            position=position,
            observed=observed,
            limit=f"<= {plain(caution)} %",
        )
    return rule.answer(
        PASS,
        f"{text}, within {plain(caution)} %.",
        position=position,
        observed=observed,
        limit=f"<= {plain(caution)} %",
    )
