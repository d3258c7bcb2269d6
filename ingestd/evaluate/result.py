"""The tubes of one sample combined into its result, rounded once and stated."""

from decimal import Decimal
from fractions import Fraction
from typing import Literal

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import Exact, as_digits, plain, round_decimal
from ingestd.evaluate.rounding import leading_place, round_to
from ingestd.evaluate.rules.earlier_result import compare_earlier
from ingestd.evaluate.rules.point_history import compare_history
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, REFUSE, Parameters, Rule
from ingestd.evaluate.rules.sum_checks import as_sample_value, check_sums
from ingestd.evaluate.uncertainty.diluted_result import widen_by_dilution
from ingestd.model import Finding, Method, ResultOutcome, Role, SitePolicy, State

Censored = Literal["", "<", ">"]


def _parameters(method: Method, site: SitePolicy) -> Parameters:
    steps = tuple(
        (
            f"below {plain(s.below)} {method.unit}" if s.below is not None else "above",
            f"to multiples of {plain(s.to)} {method.unit}",
        )
        for s in method.rounding
    ) or (("step", "last printed digit x dilution, taken down to a power of ten"),)
    return (
        *steps,
        ("half way", site.rounding.replace("_", " ")),
        ("of several tubes", method.combine),
    )


STATEMENT = Rule(
    name="statement",
    question="Which number is stated for the sample?",
    formula="mean of the sample's valid tubes, or its first planned tube, as the method says; "
    "rounded once at the end. Means with < lie between zero and the limit: their upper "
    "bound is stated after <",
    outcomes=(
        ("stated", PASS),
        ("some tubes below the limit, some not: the mean's upper bound is stated", CAUTION),
        ("a tube that counts has no value", HOLD),
        ("every tube is void", REFUSE),
    ),
    source="rounding: ISO 80000-1 Annex B; the rest: common practice, no source",
    parameters=_parameters,
)


def state_results(run: RunCase) -> list[ResultOutcome]:
    """Return one result for each sample of the run, in the order of its first tube."""
    complete = not run.missing
    severe, mild, passed = _parted(run.findings)
    results = []
    for sample, tubes in run.of_sample.items():
        own = [t for t in tubes if t.role is Role.SAMPLE or t.role is Role.DUPLICATE]
        if own:
            results.append(_state(run, sample, own, (severe, mild, passed), complete=complete))
    return results


Parted = tuple[list[Finding], list[Finding], list[Finding]]


def _parted(findings: list[Finding]) -> Parted:
    """Return findings that block, that caution, and that pass, each in the order given."""
    blocking = [f for f in findings if f.verdict is HOLD or f.verdict is REFUSE]
    if len(blocking) > 1:
        blocking.sort(key=lambda f: f.verdict is not REFUSE)
    return (
        blocking,
        [f for f in findings if f.verdict is CAUTION],
        [f for f in findings if f.verdict is PASS],
    )


def _state(
    run: RunCase, sample: str, own: list[TubeCase], of_run: Parted, *, complete: bool
) -> ResultOutcome:
    method = run.method
    live = [t for t in own if t.void is None]
    findings: list[Finding] = list(run.of_its_own.get(sample, ()))
    if method.combine == "first" and live:
        live = [next((t for t in live if t.role is Role.SAMPLE), live[0])]
    if not live:
        findings.append(
            STATEMENT.answer(
                REFUSE,
                f"Every tube of sample {sample} is void ({own[0].void}); there is nothing to "
                "state. Repeat the sample.",
                observed="no valid tube",
                limit="1 valid tube",
            )
        )
    for tube in live:
        findings += tube.findings
    read = [t for t in live if t.reading is not None]
    value: Exact | None = None
    censored: Censored = ""
    if read and all(t.value is not None for t in read):
        value, censored, note = _combined(run, sample, read)
        if note is not None:
            findings.append(note)
    elif (
        read
        and not any(f.verdict is HOLD or f.verdict is REFUSE for f in findings)
        and not any(t.missing for t in read)
    ):
        findings.append(
            STATEMENT.answer(
                HOLD,
                f"A tube of sample {sample} shows no number; read it again.",
                observed="no value",
                limit="a number",
            )
        )
    steps = [step for t in live for step in t.steps]
    stated, text, unrounded, uncertainty = None, "", None, None
    if value is not None:
        stated, text, unrounded = _stated(run, read, value, censored, steps)
        if not censored:
            uncertainty = _uncertainty(run, read, value, stated, steps)
            note = compare_history(run, sample, stated)
            if note is not None:
                findings.append(note)
        if run.facts.companions:
            if not censored:
                findings += compare_earlier(run, sample, stated, uncertainty)
            own_value = as_sample_value(run, sample, stated, censored, uncertainty)
            findings += check_sums(run, own_value)
    blocking, cautions, passes = _parted(findings)
    if of_run[0]:
        blocking += of_run[0]
        blocking.sort(key=lambda f: f.verdict is not REFUSE)
    state = State.ACCEPTED
    if blocking:
        state = State.REFUSED if blocking[0].verdict is REFUSE else State.HELD
    elif not complete or not read:
        state = State.AWAITING
    return ResultOutcome(
        sample=sample,
        analyte=method.analyte,
        fraction=method.fraction,
        basis=method.basis,
        unit=method.unit,
        value=stated,
        censored=censored,
        text=text,
        unrounded=unrounded,
        uncertainty=uncertainty,
        state=state,
        findings=(*blocking, *cautions, *of_run[1], *passes, *of_run[2]),
        steps=tuple(steps),
        tubes=tuple(t.position for t in live),
        readings=tuple(t.reading.id for t in read if t.reading is not None),
        repeats=(live or own)[0].tube.repeats,
    )


def _combined(
    run: RunCase, sample: str, tubes: list[TubeCase]
) -> tuple[Exact, Censored, Finding | None]:
    """Return the mean, its censoring, and the caution a mixed mean deserves."""
    values = [t.value for t in tubes if t.value is not None]
    if len(values) == 1:
        return values[0], tubes[0].censored, None
    middle = sum((Fraction(v) for v in values), Fraction(0)) / len(values)
    signs = {t.censored for t in tubes}
    if ">" in signs:
        # With numbers counted at least as they are, the mean of bounds is a lower bound, save
        # that a tube below its limit counts as nothing.
        bounds = [Fraction(0) if t.censored == "<" else Fraction(t.value or 0) for t in tubes]
        return sum(bounds, Fraction(0)) / len(bounds), ">", None
    if "<" not in signs:
        return middle, "", None
    if signs == {"<"}:
        return middle, "<", None
    lowest = sum((Fraction(t.value or 0) for t in tubes if not t.censored), Fraction(0)) / len(
        values
    )
    unit = run.method.unit
    return (
        middle,
        "<",
        STATEMENT.answer(
            CAUTION,
            f"Some tubes of sample {sample} are below the limit, some above it: their mean lies "
            f"between {plain(lowest)} and {plain(middle)} {unit}; the upper bound is stated.",
            observed=f"{plain(lowest)} to {plain(middle)} {unit}",
        ),
    )


def _stated(
    run: RunCase, tubes: list[TubeCase], value: Exact, censored: Censored, steps: list[str]
) -> tuple[Decimal, str, Decimal]:
    """Return the number as stated, its text, and the number before rounding; adds the steps."""
    unit = run.method.unit
    unrounded = as_digits(value)
    if len(tubes) > 1:
        steps.append(f"Mean of {len(tubes)} tubes: {plain(value)} {unit}.")
    if censored:
        bound = _bound_digits(value, censored)
        text = f"{censored} {plain(bound)}"
        steps.append(f"Stated as {text} {unit}; a limit is not rounded.")
        return bound, text, unrounded
    step = rounding_step(run.method, tubes, value)
    if isinstance(value, Decimal):
        stated = round_decimal(value, step, run.site.rounding)
    else:
        stated = round_to(value, step, run.site.rounding)
    text = format(stated, "f")
    steps.append(f"Rounded once to a multiple of {plain(step)}: {text} {unit}.")
    return stated, text, unrounded


def _uncertainty(
    run: RunCase, tubes: list[TubeCase], value: Exact, stated: Decimal, steps: list[str]
) -> Decimal | None:
    """Return the expanded uncertainty in the result's unit, rounded to the value's own place.

    That of the laboratory, widened by that of the dilution where a tube was diluted. Never
    rounded to nothing: less than half a step is stated as one step.
    """
    steps.append(run.uncertainty.sentence)
    percent = run.uncertainty.percent
    if percent is None or stated <= 0:
        return None
    diluted = [tube for tube in tubes if tube.factor != 1]
    if diluted:
        percent = widen_by_dilution(run, diluted, percent, steps)
    step = rounding_step(run.method, tubes, value)
    expanded = round_decimal(percent * stated / 100, step, run.site.rounding) or step
    steps.append(f"± {plain(expanded)} {run.method.unit} on {plain(stated)}.")
    return expanded


def _bound_digits(value: Exact, censored: Censored) -> Decimal:
    """Return the limit in digits; one that no Decimal equals is widened to three digits."""
    if isinstance(value, Decimal):
        return Decimal(plain(value))
    if value == 0:
        return Decimal(0)
    place = leading_place(value) - 5
    scale = Fraction(10) ** place
    whole = value / scale
    digits = -(-whole.numerator // whole.denominator) if censored == "<" else int(whole)
    return Decimal(plain(Decimal(digits).scaleb(place)))


def rounding_step(method: Method, tubes: list[TubeCase], value: Exact) -> Decimal:
    """Return the step the value is rounded to, method's unit.

    The method's own steps, by the size of the unrounded value; else the last digit that was
    printed, times the dilution, taken down to a power of ten: 40.7 at a factor of 10 is stated
    as 407, at a factor of 25 to whole units too. Of several tubes the coarsest digit counts.
    """
    size = value if value >= 0 else -value
    for step in method.rounding:
        if step.below is None or size < step.below:
            return step.to
    if method.rounding:
        return method.rounding[-1].to
    place = max((t.place for t in tubes if t.place is not None), default=0)
    return Decimal((0, (1,), place))
