"""Whether what was added to a sample was found again."""

from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.case import RunCase, TubeCase
from ingestd.evaluate.figures import plain, short
from ingestd.evaluate.rules.control import unusable
from ingestd.evaluate.rules.rule import CAUTION, HOLD, PASS, Rule
from ingestd.evaluate.statistics.recovery import spike_recovery
from ingestd.model import Finding, Role

SPIKE = Rule(
    name="spike_recovery",
    version=2,
    question="Was what was added to the sample found again?",
    formula="recovery = (spiked - unspiked) / added x 100 %; a sample below its limit lies "
    "between zero and the limit, and so does the recovery. Not asked of a spike that "
    "the sample's own content drowns (more than four times what was added)",
    outcomes=(
        ("inside the limits", PASS),
        ("the spike is too small against the sample, or not stated", CAUTION),
        ("the sample's limit leaves the recovery open", CAUTION),
        ("outside the limits", HOLD),
        ("one of the tubes cannot be used", HOLD),
    ),
    source="100 (spiked - unspiked) / added: EPA practice for matrix spikes; the fourfold waiver "
    "is from memory",
    parameters=lambda method, _site: (
        (
            "recovery",
            f"{plain(method.limits.spike_low)} to {plain(method.limits.spike_high)} %",
        ),
    ),
)


def judge_spikes(run: RunCase) -> None:
    """Add a finding for every spike with a reading, to its own sample: one matrix each."""
    for spike in run.of_role(Role.SPIKE):
        if not spike.is_to_answer:
            continue
        code = spike.tube.sample
        native = next(
            (t for t in run.of_sample[code] if t.role is Role.SAMPLE and t.void is None), None
        )
        if native is not None and native.is_to_answer:
            run.of_its_own.setdefault(code, []).append(_judge(run, spike, native))


def _judge(run: RunCase, spike: TubeCase, native: TubeCase) -> Finding:
    method, position = run.method, spike.position
    added = spike.tube.spike_added
    low, high = method.limits.spike_low, method.limits.spike_high
    allowed = f"{plain(low)} to {plain(high)} %"
    if added is None:
        return SPIKE.answer(
            CAUTION,
            f"What was added to the spike at position {position} is not stated, so its recovery "
            "cannot be computed; complete the plan.",
            position=position,
            observed="not stated",
            limit=allowed,
        )
    for tube in (spike, native):
        held = unusable(SPIKE, tube, "spike" if tube is spike else "unspiked tube")
        if held is not None:
            return held
    if spike.value is None or native.value is None:
        return SPIKE.answer(
            HOLD,
            f"The spike at position {position} and its sample have no numbers to compare; settle "
            "their own findings first.",
            position=position,
            observed="no value",
            limit=allowed,
        )
    # Each value lies between two bounds: itself twice, or zero and the limit.
    least = Fraction(0) if spike.censored else Fraction(spike.value)
    most_native = Fraction(native.value)
    highest = spike_recovery(
        spike.value, Decimal(0) if native.censored else most_native, added
    ).percent
    found = spike_recovery(least, most_native, added)
    lowest = found.percent
    unit = method.unit
    text = (
        f"Of {plain(added)} {unit} added to sample {spike.tube.sample}, "
        f"{short(highest)} % was found at position {position}"
    )
    observed = f"{short(highest)} %"
    if lowest != highest:
        observed = f"{short(lowest)} to {short(highest)} %"
        text = (
            f"Of {plain(added)} {unit} added to sample {spike.tube.sample}, between "
            f"{short(lowest)} and {short(highest)} % was found at position {position}"
        )
    if not found.meaningful:
        return SPIKE.answer(
            CAUTION,
            f"{text}, but the sample itself holds {short(most_native)} {unit}, more than four "
            "times as much; add more next time.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    if low <= lowest and highest <= high:
        return SPIKE.answer(
            PASS, f"{text}, inside {allowed}.", position=position, observed=observed, limit=allowed
        )
    if highest < low or lowest > high:
        return SPIKE.answer(
            HOLD,
            f"{text}, outside {allowed}: something in this sample disturbs the method. Dilute "
            "further or use another method.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    return SPIKE.answer(
        CAUTION,
        f"{text}; whether it is inside {allowed} cannot be seen, add more next time.",
        position=position,
        observed=observed,
        limit=allowed,
    )
